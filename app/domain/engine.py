"""The engine: many samples of many compartments judged in one call.

Pure and columnar. :func:`assess` runs the rules in the order they are listed in and returns their columns;
:func:`app.domain.report.report` makes one sample's columns into an :class:`~app.domain.findings.Assessment`.
"""

from dataclasses import dataclass

import numpy as np

from app.domain.frame import DailyMedians, Floats, SampleFrame, daily_medians
from app.domain.norms import Norming
from app.domain.rules.change import Changes, judge_change
from app.domain.rules.levels import Levels, judge_levels
from app.domain.rules.patterns import Patterns, judge_patterns
from app.science.energy import nei_oil
from app.science.moisture import relative_saturation

RULE_SET = "2026.11"
"""Version of the rules; it changes whenever a rule would judge some sample otherwise."""

HISTORY_DAYS = 731.0
"""How far back the rules look; a caller's window must hold at least this much of each series."""


@dataclass(frozen=True)
class Judgement:
    """Everything the rules say of the samples of ``frame``, as columns."""

    frame: SampleFrame
    levels: Levels
    changes: Changes
    patterns: Patterns
    nei_oil: Floats
    """(n,) [kJ/kL]; NaN where a hydrocarbon is missing."""
    relative_saturation: Floats
    """(n,) [%]; NaN where water or oil temperature is missing or water is censored."""


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
    levels = judge_levels(frame, norming)
    changes = judge_change(frame, levels, daily_medians(frame) if daily is None else daily)
    return Judgement(
        frame=frame,
        levels=levels,
        changes=changes,
        patterns=judge_patterns(frame, levels),
        nei_oil=_energy(frame),
        relative_saturation=_saturation(frame),
    )


def _energy(frame: SampleFrame) -> Floats:
    gases = ("ch4", "c2h6", "c2h4", "c2h2")
    # a censored reading adds at most its limit's worth; half of it is the usual stand-in for a sum
    # (common practice, no source)
    values = [np.where(frame.censored(g), frame.column(g) / 2.0, frame.column(g)) for g in gases]
    return np.asarray(nei_oil(*values), dtype=np.float64)


def _saturation(frame: SampleFrame) -> Floats:
    water = np.where(frame.censored("water"), np.nan, frame.column("water"))
    return np.asarray(relative_saturation(water, frame.column("oil_temperature")), dtype=np.float64)
