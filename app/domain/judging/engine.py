"""The engine: many samples of many compartments judged in one call.

Pure and columnar. :func:`assess` walks the rules in their order; :func:`app.domain.judging.report.report` makes one
sample's columns into an :class:`~app.domain.findings.Assessment`.
"""

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from app.domain.judging.course.walk import COURSES
from app.domain.judging.frame import DailyMedians, SampleFrame, daily_medians
from app.domain.judging.norms import Norming
from app.domain.judging.rules.combustible import CONDITION, TOTAL
from app.domain.judging.rules.early import EARLY
from app.domain.judging.rules.energy import OIL, OIL_WITHOUT_ETHANE, PAPER
from app.domain.judging.rules.extreme import EXTREME_KINDS, EXTREMES
from app.domain.judging.rules.increments import INCREMENTS
from app.domain.judging.rules.levels import LEVELS
from app.domain.judging.rules.oil_tests import OIL_TESTS_RULE
from app.domain.judging.rules.own_record import OWN_RECORD
from app.domain.judging.rules.paper import PAPER as PAPER_SIGNS
from app.domain.judging.rules.patterns import PATTERNS
from app.domain.judging.rules.quality import QUALITY
from app.domain.judging.rules.rule import Rule
from app.domain.judging.rules.saturation import RELATIVE_SATURATION
from app.domain.judging.rules.status import CHANGES
from app.domain.judging.rules.trend_calls import TREND_CALLS
from app.domain.judging.rules.water import WATER

RULE_SET: Final = "2027.1"
"""Version of the rules; it changes whenever a rule would judge some sample otherwise."""

DUST: Final = 1e-9
"""In the unit of any quantity; the smallest detection limit in use is ten million times this."""


@dataclass(frozen=True)
class Judgement:
    """Everything the rules say of the samples of ``frame``, as columns; its body is the registry of rules, in order.

    Attributes:
        daily: the daily medians that the on-line rules read.
        norming: which limits judge which sample.
    """

    frame: SampleFrame
    daily: DailyMedians
    norming: Norming

    levels = LEVELS
    changes = CHANGES
    extreme_kinds = EXTREME_KINDS
    extremes = EXTREMES
    early = EARLY
    patterns = PATTERNS
    increments = INCREMENTS
    relative_saturation = RELATIVE_SATURATION
    quality = QUALITY
    trend_calls = TREND_CALLS
    nei_oil = OIL
    nei_oil_without_ethane = OIL_WITHOUT_ETHANE
    nei_paper = PAPER
    tdcg = TOTAL
    condition_2008 = CONDITION
    own_record = OWN_RECORD
    oil_tests = OIL_TESTS_RULE
    water = WATER
    paper = PAPER_SIGNS
    courses = COURSES


RULES: Final[tuple[Rule[Any], ...]] = tuple(
    rule for rule in vars(Judgement).values() if isinstance(rule, Rule)
)
"""The rules in the order of the registry."""


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
    judgement = Judgement(frame, daily, norming or Norming.default(len(frame)))
    for rule in RULES:
        if rule.at_once:
            getattr(judgement, rule.name)
    return judgement


def _without_dust(frame: SampleFrame) -> SampleFrame:
    """Readings so small that a ratio to them overflows count as nothing; no instrument tells them from it."""
    dust = (frame.values != 0.0) & (np.abs(frame.values) < DUST)
    return replace(frame, values=np.where(dust, 0.0, frame.values)) if dust.any() else frame
