"""What a plain file says of its units beside each sample, for what to do next."""

import math
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from app.domain.alerting.advice import UnitFacts
from app.domain.model import CompartmentKind
from app.services.judging.interpret_rows import CsvRow, Volume


@dataclass(frozen=True, slots=True)
class KnownUnits:
    """Times of the samples of each oil volume, in order: of laboratories and of instruments."""

    laboratory: Mapping[Volume, Sequence[datetime]]
    online: Mapping[Volume, Sequence[datetime]]
    tap_changers: Mapping[str, Sequence[Volume]]
    """Of each asset, those that a laboratory had oil of."""

    @classmethod
    def of(cls, rows: Sequence[CsvRow], online: Sequence[bool]) -> "KnownUnits":
        """Of all rows of a file, each with whether an instrument measured it."""
        times: tuple[dict[Volume, list[datetime]], ...] = (defaultdict(list), defaultdict(list))
        for row, measured in sorted(zip(rows, online, strict=True), key=lambda pair: pair[0].taken_at):
            times[measured][row.volume].append(row.taken_at)
        tap_changers: dict[str, list[Volume]] = defaultdict(list)
        for volume in times[False]:
            if volume.kind is CompartmentKind.TAP_CHANGER:
                tap_changers[volume.asset].append(volume)
        return cls(dict(times[False]), dict(times[True]), dict(tap_changers))

    def at(self, row: CsvRow) -> UnitFacts:
        """What was known when a row's sample was taken."""
        online = self.online.get(row.volume, ())
        return UnitFacts(
            monitored=bool(online) and online[0] <= row.taken_at,
            laboratory_at=_newest(self.laboratory.get(row.volume, ()), row.taken_at),
            first_at=online[0] if online else None,
            tap_changer_at=self._tap_changer_at(row),
            age_years=None if math.isnan(row.age) else row.age,
            compartment=row.plate.kind,
        )

    def _tap_changer_at(self, row: CsvRow) -> datetime | None:
        """When a laboratory last had oil of a tap changer of the unit."""
        newest = (
            _newest(self.laboratory[volume], row.taken_at) for volume in self.tap_changers.get(row.asset, ())
        )
        return max((at for at in newest if at is not None), default=None)


def _newest(times: Sequence[datetime], until: datetime) -> datetime | None:
    upto = bisect_right(times, until)
    return times[upto - 1] if upto else None
