"""How sure: measurement uncertainty carried to the status, to the zones and to "rising", by seeded draws.

Every number could have come out otherwise. Each draw takes all gases within their measurement uncertainty
(JCGM 101:2008) and judges them again; the probability of a statement is the share of draws that make it.
"""

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np

from app.domain.judging.frame import Floats, Integers, SampleFrame
from app.domain.judging.methods import ZONE_METHODS
from app.domain.judging.methods.bars import Bar
from app.domain.judging.methods.method import Answers, ZoneMethod
from app.domain.judging.norms import norms_2019
from app.domain.judging.rules.change import Changes
from app.domain.judging.rules.levels import GASES, Levels
from app.domain.judging.rules.patterns import Patterns
from app.science.measuring.uncertainty import (
    LABORATORY_RELATIVE_SD,
    detection_limit,
    draws,
    measurement_sd,
    zone_probabilities,
)
from app.science.quantities import NORM_GASES
from app.science.trends.rates import DAYS_PER_YEAR

DRAWS: Final = 200
SEED: Final = 60599
INSTRUMENT_RELATIVE_SD: Final = 0.05
"""[1] Of an on-line reading; common practice, no source (CIGRE TB 783 exists, its figures were not seen)."""
_BLOCK: Final = 4000


@dataclass(frozen=True)
class Certainties:
    """Probabilities for r rows.

    Attributes:
        status: (r, 3) of status 1, 2, 3; zeros where nothing was measured.
        zones: by the name of the method, (r, zones); zeros where it does not apply.
        rising: (r, 7) that a gas rises, from its rate where there is one, else from its delta; NaN for neither.
    """

    status: Floats
    zones: dict[str, Floats]
    rising: Floats


def judge_certainty(
    frame: SampleFrame,
    levels: Levels,
    changes: Changes,
    patterns: Patterns,
    rows: Integers,
    count: int = DRAWS,
) -> Certainties:
    """Draw ``count`` times for each of the rows named, in blocks of bounded memory."""
    parts = [
        _block(frame, levels, changes, patterns, rows[i : i + _BLOCK], count)
        for i in range(0, len(rows), _BLOCK)
    ] or [_block(frame, levels, changes, patterns, rows, count)]
    return Certainties(
        status=np.concatenate([part.status for part in parts]),
        zones={name: np.concatenate([part.zones[name] for part in parts]) for name in parts[0].zones},
        rising=np.concatenate([part.rising for part in parts]),
    )


@cache
def _floors() -> Floats:
    """Half the usual detection limit of each norm gas [µL/L]."""
    return np.array([detection_limit(g) / 2.0 for g in NORM_GASES])


def _block(
    frame: SampleFrame, levels: Levels, changes: Changes, patterns: Patterns, rows: Integers, count: int
) -> Certainties:
    relative = np.where(frame.online[rows], INSTRUMENT_RELATIVE_SD, LABORATORY_RELATIVE_SD)[:, None]
    value, below = frame.values[rows, :GASES], frame.below[rows, :GASES]
    drawn = draws(value, below, relative, _floors(), count, SEED)
    rising = _rising(changes, rows, value, relative)
    return Certainties(
        status=_status(drawn, frame, levels, changes, rows, relative, count),
        zones={m.name: _zones(drawn, patterns[m.name], m, rows) for m in ZONE_METHODS if m.drawn},
        rising=rising,
    )


def _zones(drawn: Floats, answers: Answers, method: ZoneMethod, rows: Integers) -> Floats:
    """A reading below its limit may lie anywhere below it, so a method barred for that alone speaks here."""
    found = np.zeros((len(rows), len(method.codes)))
    speaks = np.flatnonzero(np.isin(answers.bar[rows], (Bar.NONE, Bar.CENSORED)))
    if speaks.size:
        columns = [NORM_GASES.index(g) for g in method.reads]
        found[speaks] = zone_probabilities(method.says, method.codes, drawn[:, speaks][:, :, columns])
    return found


def _status(
    drawn: Floats,
    frame: SampleFrame,
    levels: Levels,
    changes: Changes,
    rows: Integers,
    relative: Floats,
    count: int,
) -> Floats:
    """Levels, deltas and rates drawn together; a reference is drawn apart from the sample it is compared with."""
    status = np.ones(drawn.shape[:2], dtype=np.int8)
    status[(drawn > levels.typical[rows]).any(axis=2)] = 2
    reference = changes.reference[rows]
    before = draws(reference, np.zeros(reference.shape, dtype=np.bool_), relative, _floors(), count, SEED + 1)
    delta_limit = norms_2019().delta[levels.side[rows]]
    margin = 3.0 * np.hypot(
        measurement_sd(frame.values[rows, :GASES], relative, _floors()),
        measurement_sd(reference, relative, _floors()),
    )
    acetylene = NORM_GASES.index("c2h2")
    delta_limit[:, acetylene] += np.nan_to_num(margin[:, acetylene])
    judged_2019 = levels.norm_set[rows] == 0
    status[((drawn - before > delta_limit).any(axis=2)) & judged_2019] = 2
    status[(drawn > levels.high[rows]).any(axis=2)] = 3
    normal = np.random.default_rng(SEED + 2).standard_normal((count, 1, GASES))
    rate = changes.rate[rows] + normal * _rate_sd(changes, rows, frame.values[rows, :GASES], relative)
    above = (rate > changes.rate_limit[rows])[:, :, [g for g in range(GASES) if g != acetylene]].any(axis=2)
    above |= changes.rate_exceeds[rows, acetylene]
    status[above & judged_2019] = 3
    judged = changes.status[rows] > 0
    found = np.stack([(status == s).mean(axis=0) for s in (1, 2, 3)], axis=1)
    return np.where(judged[:, None], found, 0.0)


def _rate_sd(changes: Changes, rows: Integers, value: Floats, relative: Floats) -> Floats:
    """Standard deviation of a least-squares rate from measurement alone [µL/L/year].

    For n points evenly over a span T the sum of squared time differences is n T²/12 (n + 1)/(n - 1).
    """
    n = np.maximum(changes.rate_points[rows], 2).astype(np.float64)
    span = changes.rate_span[rows]
    spread = n * span**2 / 12.0 * (n + 1.0) / (n - 1.0)
    sd: Floats = measurement_sd(value, relative, _floors()) * DAYS_PER_YEAR / np.sqrt(spread)
    return sd


def _rising(changes: Changes, rows: Integers, value: Floats, relative: Floats) -> Floats:
    from scipy.special import ndtr  # a quarter of a second to import, so only where it is used

    rate_score = changes.rate[rows] / _rate_sd(changes, rows, value, relative)
    reference = changes.reference[rows]
    spread = np.hypot(
        measurement_sd(value, relative, _floors()), measurement_sd(reference, relative, _floors())
    )
    delta_score = changes.delta[rows] / spread
    found: Floats = ndtr(np.where(np.isnan(rate_score), delta_score, rate_score))
    return found
