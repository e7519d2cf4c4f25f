"""What is read once for all series of a group: units, service events, the owner's limits, laboratories' O2/N2."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from app.domain.model import OwnerLimit, ServiceEvent
from app.store.database import Connection
from app.store.judging.windows import oxygen_ratios
from app.store.registering import fleet
from app.store.registering.events import events_for
from app.store.registering.limits import all_limits

RATIO_AGE = timedelta(days=731)
"""An O2/N2 ratio of a laboratory is used for on-line readings up to this long after it (two years)."""


@dataclass(frozen=True, slots=True)
class JudgingContext:
    """What is known around some compartments; mappings are by compartment id."""

    contexts: Mapping[int, fleet.CompartmentContext]
    events: Mapping[int, Sequence[ServiceEvent]]
    limits: Sequence[OwnerLimit]
    ratios: Mapping[int, Sequence[tuple[datetime, float]]]
    """O2/N2 of laboratory samples, oldest first; read for on-line readings only."""


def judging_context(
    connection: Connection, compartment_ids: Sequence[int], online: tuple[datetime, datetime] | None = None
) -> JudgingContext:
    """Of some compartments; ``online``: first and last time of the on-line readings that are to be judged."""
    ratios = {}
    if online is not None:
        since, until = online
        ratios = oxygen_ratios(connection, compartment_ids, since - RATIO_AGE, until)
    return JudgingContext(
        contexts=fleet.compartment_context(connection, compartment_ids, people=False),
        events=events_for(connection, compartment_ids),
        limits=all_limits(connection),
        ratios=ratios,
    )
