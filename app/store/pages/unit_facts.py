"""What is known of units beside their samples, for what to do next; read at once for all that a page shows."""

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Final

from app.domain.alerting.advice import UnitFacts
from app.domain.alerting.conditions.confirmation import CONFIRMATION
from app.domain.alerting.conditions.gassing import GASSING
from app.domain.alerting.conditions.online_change import ONLINE_CHANGE
from app.domain.alerting.states import OPEN_STATES, State
from app.domain.model import CompartmentKind, SourceKind
from app.store.database import Connection
from app.store.pages.view_alerts import AlertView, alert_list, first_told
from app.store.pages.view_samples import sample_span
from app.store.pages.views import (
    NewestSample,
    instrument_names,
    newest_samples,
    of_the_same_assets,
)

RAISED: Final = tuple(state for state in OPEN_STATES if state is not State.RETURNED)
MOST: Final = 10_000


def unit_facts(connection: Connection, compartment_ids: Collection[int]) -> dict[int, UnitFacts]:
    """The facts of each compartment; a handful of queries however many there are."""
    ids = sorted(compartment_ids)
    family = of_the_same_assets(connection, ids)
    newest: dict[int, list[NewestSample]] = {}
    for sample in newest_samples(connection, list(family)):
        newest.setdefault(sample.compartment_id, []).append(sample)
    watched = instrument_names(connection, ids)
    open_alerts = alert_list(connection, states=RAISED, compartment_ids=ids, limit=MOST)
    changed = _changed(connection, open_alerts)
    found = {}
    for own in ids:
        asset_id, kind = family[own]
        changers = [
            sample
            for other, (same, of) in family.items()
            if same == asset_id and of is CompartmentKind.TAP_CHANGER
            for sample in newest.get(other, ())
        ]
        laboratory = _newest(newest.get(own, ()), SourceKind.LABORATORY)
        monitored = bool(watched.get(own))
        span = sample_span(connection, own) if monitored and laboratory is None else None
        found[own] = UnitFacts(
            monitored=monitored,
            laboratory_at=laboratory,
            first_at=span[0] if span else None,
            tap_changer_at=max((s.taken_at for s in changers), default=None),
            asked_at=_since(open_alerts, own, CONFIRMATION.name),
            alarmed_at=_since(open_alerts, own, GASSING.name),
            changed=changed.get(own),
            compartment=kind,
        )
    return found


def _changed(
    connection: Connection, open_alerts: Sequence[AlertView]
) -> dict[int | None, tuple[datetime, int]]:
    """By compartment, when an on-line change was told, and its severity; an alert is open since the rise began."""
    changes = _of(open_alerts, ONLINE_CHANGE.name)
    told = first_told(connection, [a.id for a in changes])
    return {a.compartment_id: (told.get(a.id, a.opened_at), a.severity) for a in changes}


def _newest(samples: Sequence[NewestSample], kind: SourceKind) -> datetime | None:
    return max((s.taken_at for s in samples if s.source_kind is kind), default=None)


def _since(alerts: Sequence[AlertView], compartment_id: int, condition: str) -> datetime | None:
    """Since when an alert is open."""
    return min(
        (a.opened_at for a in _of(alerts, condition) if a.compartment_id == compartment_id), default=None
    )


def _of(alerts: Sequence[AlertView], condition: str) -> list[AlertView]:
    return [a for a in alerts if a.condition == condition]
