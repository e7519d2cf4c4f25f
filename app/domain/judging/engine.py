"""The engine: many samples of many compartments judged in one call.

Pure and columnar. :func:`assess` runs the rules in the order they are listed in and returns their columns;
:func:`app.domain.judging.report.report` makes one sample's columns into an :class:`~app.domain.findings.Assessment`.
"""

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from app.domain.judging.frame import DailyMedians, Floats, SampleFrame, daily_medians
from app.domain.judging.norms import Norming
from app.domain.judging.rules.change import Changes
from app.domain.judging.rules.increments import Increments, judge_increments
from app.domain.judging.rules.levels import Levels, judge_levels
from app.domain.judging.rules.patterns import Patterns, judge_patterns
from app.domain.judging.rules.quality import Quality, judge_quality
from app.domain.judging.rules.status import judge_change
from app.science.diagnosis.energy import nei_oil, nei_oil_without_ethane, nei_paper
from app.science.norms.conditions import CONDITION_QUANTITIES, condition_2008
from app.science.oil.moisture import relative_saturation
from app.science.quantities import INDEX

RULE_SET: Final = "2026.12"
"""Version of the rules; it changes whenever a rule would judge some sample otherwise."""

DUST: Final = 1e-9
"""In the unit of any quantity; the smallest detection limit in use is ten million times this."""

HISTORY_DAYS: Final = 731.0
"""How far back the rules look; a caller's window must hold at least this much of each series."""


@dataclass(frozen=True)
class Judgement:
    """Everything the rules say of the samples of ``frame``, as columns.

    Levels and changes are worked out at once; what is drawn from them - patterns, increments, quality and the rest -
    when it is first asked for: of the thousands of readings of a quiet monitor nobody ever asks.

    Attributes:
        daily: the daily medians that the on-line rules read.
    """

    frame: SampleFrame
    daily: DailyMedians
    levels: Levels
    changes: Changes

    @cached_property
    def patterns(self) -> Patterns:
        """What the diagnostic methods make of the levels."""
        return judge_patterns(self.frame, self.levels)

    @cached_property
    def increments(self) -> Increments:
        """What they make of the new gas alone."""
        return judge_increments(self.frame, self.changes, self.daily)

    @cached_property
    def quality(self) -> Quality:
        """Signs that a sample itself is in doubt."""
        return judge_quality(self.frame, self.levels, self.changes, self.relative_saturation)

    @cached_property
    def nei_oil(self) -> Floats:
        """(n,) [kJ/kL]; NaN where a gas is missing, as in the two below."""
        return np.asarray(nei_oil(*self._halved("ch4", "c2h6", "c2h4", "c2h2")))

    @cached_property
    def nei_oil_without_ethane(self) -> Floats:
        """(n,) [kJ/kL]"""
        return np.asarray(nei_oil_without_ethane(*self._halved("ch4", "c2h4", "c2h2")))

    @cached_property
    def nei_paper(self) -> Floats:
        """(n,) [kJ/kL]"""
        return np.asarray(nei_paper(*self._halved("co", "co2")))

    @cached_property
    def relative_saturation(self) -> Floats:
        """(n,) [%]; NaN where water or oil temperature is missing or water is censored."""
        return _saturation(self.frame)

    @property
    def tdcg(self) -> Floats:
        """(n,) total dissolved combustible gas [µL/L]; NaN where none of its gases was measured."""
        return self._of_2008[0]

    @property
    def condition_2008(self) -> NDArray[np.int8]:
        """(n,) condition 1-4 of the 2008 guide; 0 where nothing was measured."""
        return self._of_2008[1]

    @cached_property
    def _of_2008(self) -> tuple[Floats, NDArray[np.int8]]:
        return _conditions(self.frame)

    def _halved(self, *gases: str) -> list[Floats]:
        return [_halved(self.frame, gas) for gas in gases]


def assess(
    frame: SampleFrame, daily: DailyMedians | None = None, norming: Norming | None = None
) -> Judgement:
    """Judge every sample of a frame against its own past.

    Args:
        frame: samples with their history; the history is judged too.
        daily: daily medians of the on-line series, when the frame does not hold all the readings they come
            from; None to take them from the frame.
        norming: which norm set and which of the owner's limits judge each sample; None for the 2019 guide.

    Returns:
        One row of every column per sample, in the frame's order. A sample's judgement depends on earlier
        samples of its series only, except ``changes.dropped``, which a later sample decides.
    """
    frame = _without_dust(frame)
    daily = daily_medians(frame) if daily is None else daily
    levels = judge_levels(frame, norming)
    return Judgement(frame, daily, levels, judge_change(frame, levels, daily))


def _without_dust(frame: SampleFrame) -> SampleFrame:
    """Readings so small that a ratio to them overflows count as nothing; no instrument tells them from it."""
    dust = (frame.values != 0.0) & (np.abs(frame.values) < DUST)
    return replace(frame, values=np.where(dust, 0.0, frame.values)) if dust.any() else frame


def _halved(frame: SampleFrame, gas: str) -> Floats:
    """Numbers for a sum: a censored reading adds at most its limit, half of it is the usual stand-in
    (common practice, no source)."""
    column, below = frame.column(gas), frame.censored(gas)
    return np.where(below, column / 2.0, column) if below.any() else column


def _saturation(frame: SampleFrame) -> Floats:
    water = np.where(frame.censored("water"), np.nan, frame.column("water"))
    return np.asarray(relative_saturation(water, frame.column("oil_temperature")), dtype=np.float64)


def _conditions(frame: SampleFrame) -> tuple[Floats, NDArray[np.int8]]:
    """TDCG of the gases that were measured, and the condition of the 2008 guide."""
    gases = [name for name in CONDITION_QUANTITIES if name != "tdcg"]
    columns = [INDEX[g] for g in gases]
    value = np.where(frame.below[:, columns], 0.0, frame.values[:, columns])
    combustible = value[:, [i for i, g in enumerate(gases) if g != "co2"]]
    nothing = np.isnan(combustible).all(axis=1)
    tdcg = np.where(nothing, np.nan, np.nansum(combustible, axis=1))
    return tdcg, condition_2008(np.concatenate([value, tdcg[:, None]], axis=1))
