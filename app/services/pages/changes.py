"""How the quantities of a unit moved between two samples, as pages show it."""

from dataclasses import dataclass

from app.domain.model import Reading, SourceKind
from app.science.quantities import NORM_GASES
from app.store.pages.view_samples import SampleView


@dataclass(frozen=True, slots=True)
class Change:
    """How one quantity moved between two samples."""

    quantity: str
    before: Reading
    after: Reading

    @property
    def amount(self) -> float | None:
        """Difference [unit of the quantity]; None when either is below its limit."""
        if self.before.value is None or self.after.value is None:
            return None
        return self.after.value - self.before.value


def changes_between(before: SampleView | None, after: SampleView) -> tuple[Change, ...]:
    """Changes of the norm gases, the largest relative change first; quantities in both samples only."""
    if before is None:
        return ()
    moved = [
        Change(gas, before.readings[gas], after.readings[gas])
        for gas in NORM_GASES
        if gas in before.readings and gas in after.readings
    ]
    return tuple(sorted((c for c in moved if c.before != c.after), key=_weight, reverse=True))


def changes_told(before: SampleView | None, after: SampleView) -> tuple[Change, ...]:
    """Against the sample before; of an on-line reading against the month a month ago: four hours are noise."""
    if after.source_kind is not SourceKind.INSTRUMENT or after.assessment is None:
        return changes_between(before, after)
    moved = [
        Change(gas, Reading(gas, value=max(0.0, after.readings[gas].number - delta)), after.readings[gas])
        for gas, delta in after.assessment.deltas.items()
        if gas in after.readings and delta
    ]
    return tuple(sorted(moved, key=_weight, reverse=True))


def _weight(change: Change) -> float:
    return abs(change.after.number - change.before.number) / max(change.before.number, 1.0)
