"""Which of today's findings are ones already known: an open finding goes on or ends, and is never told twice."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from app.domain.instruments.findings import InstrumentFinding, Kind

SLACK: Final[Mapping[Kind, timedelta]] = {Kind.SPIKE: timedelta(days=7), Kind.STEP: timedelta(hours=12)}
"""How far apart two stretches of one kind may lie and still be one finding (our own choice)."""
USUAL_SLACK: Final = timedelta(days=2)


@dataclass(frozen=True, slots=True)
class Reconciled:
    """What follows from a look, by the ids of what was known.

    Attributes:
        new: findings that were not known.
        going_on: known ones as they are seen now, with the beginning they had.
        ended: known ones that were open and are seen no more.
    """

    new: tuple[InstrumentFinding, ...]
    going_on: tuple[tuple[int, InstrumentFinding], ...]
    ended: tuple[int, ...]


def reconcile(
    known: Mapping[int, InstrumentFinding], found: Sequence[InstrumentFinding], now: datetime
) -> Reconciled:
    """Match the findings of a look with the known ones of the same kind and quantity that overlap them in time."""
    left = dict(known)
    new, going_on = [], []
    for finding in found:
        key = next((k for k, old in left.items() if _same(old, finding, now)), None)
        if key is None:
            new.append(finding)
        else:
            going_on.append((key, replace(finding, begins_at=left.pop(key).begins_at)))
    ended = [key for key, old in left.items() if old.ends_at is None]
    return Reconciled(tuple(new), tuple(going_on), tuple(ended))


def _same(old: InstrumentFinding, seen: InstrumentFinding, now: datetime) -> bool:
    if (old.kind, old.quantity) != (seen.kind, seen.quantity):
        return False
    slack = SLACK.get(old.kind, USUAL_SLACK)
    old_end, seen_end = old.ends_at or now, seen.ends_at or now
    return old.begins_at - slack <= seen_end and seen.begins_at - slack <= old_end
