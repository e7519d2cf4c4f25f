"""The engine: many samples of many compartments judged in one call.

Pure and columnar. :func:`assess` runs the rules in the order they are listed in and returns their columns;
:func:`app.domain.report.report` makes one sample's columns into an :class:`~app.domain.findings.Assessment`.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from app.domain.frame import DailyMedians, Floats, SampleFrame, daily_medians
from app.domain.norms import Norming
from app.domain.rules.change import Changes
from app.domain.rules.increments import Increments, judge_increments
from app.domain.rules.levels import Levels, judge_levels
from app.domain.rules.patterns import Patterns, judge_patterns
from app.domain.rules.quality import Quality, judge_quality
from app.domain.rules.status import judge_change
from app.science.conditions import CONDITION_QUANTITIES, condition_2008
from app.science.energy import nei_oil, nei_oil_without_ethane, nei_paper
from app.science.moisture import relative_saturation
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

    Attributes:
        daily: the daily medians that the on-line rules read.
        nei_oil, nei_oil_without_ethane, nei_paper: (n,) [kJ/kL]; NaN where a gas is missing.
        relative_saturation: (n,) [%]; NaN where water or oil temperature is missing or water is censored.
        tdcg: (n,) total dissolved combustible gas [µL/L]; NaN where none of its gases was measured.
        condition_2008: (n,) condition 1-4 of the 2008 guide; 0 where nothing was measured.
    """

    frame: SampleFrame
    daily: DailyMedians
    levels: Levels
    changes: Changes
    patterns: Patterns
    increments: Increments
    quality: Quality
    nei_oil: Floats
    nei_oil_without_ethane: Floats
    nei_paper: Floats
    relative_saturation: Floats
    tdcg: Floats
    condition_2008: NDArray[np.int8]


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
    changes = judge_change(frame, levels, daily)
    saturation = _saturation(frame)
    tdcg, condition = _conditions(frame)
    ch4, c2h6, c2h4, c2h2 = (_halved(frame, g) for g in ("ch4", "c2h6", "c2h4", "c2h2"))
    return Judgement(
        frame=frame,
        daily=daily,
        levels=levels,
        changes=changes,
        patterns=judge_patterns(frame, levels),
        increments=judge_increments(frame, changes, daily),
        quality=judge_quality(frame, levels, changes, saturation),
        nei_oil=np.asarray(nei_oil(ch4, c2h6, c2h4, c2h2)),
        nei_oil_without_ethane=np.asarray(nei_oil_without_ethane(ch4, c2h4, c2h2)),
        nei_paper=np.asarray(nei_paper(_halved(frame, "co"), _halved(frame, "co2"))),
        relative_saturation=saturation,
        tdcg=tdcg,
        condition_2008=condition,
    )


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
