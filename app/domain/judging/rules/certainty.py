"""How sure: measurement uncertainty carried to the status, to the zones and to "rising", by seeded draws.

Every number could have come out otherwise. Each draw takes all gases within their measurement uncertainty
(JCGM 101:2008) and judges them again; the probability of a statement is the share of draws that make it.

What a laboratory's results for one gas share, its bias, moves a level and cancels in a change between two of them.
How much the results scatter is taken from the series itself, as far as it has points. Of a change the draws are of the
true one (:mod:`app.science.measuring.belief`): most units do not change, so that a measured change near what chance
makes is mostly chance. docs/decisions/certainty.md has the calibration.
"""

from dataclasses import dataclass
from functools import cache
from typing import Final, Self

import numpy as np

from app.domain.judging.frame import Bools, Floats, Integers, SampleFrame
from app.domain.judging.methods import ZONE_METHODS
from app.domain.judging.methods.bars import Bar
from app.domain.judging.methods.method import Answers, ZoneMethod
from app.domain.judging.norms import IEEE_2019, norms_2019
from app.domain.judging.rules.change import ACETYLENE, ACETYLENE_FLOOR, LABORATORY_ACCURACY, Changes
from app.domain.judging.rules.levels import GASES, Levels
from app.domain.judging.rules.patterns import Patterns
from app.science.measuring.belief import Belief, belief
from app.science.measuring.scatter import scatter_seen
from app.science.measuring.uncertainty import (
    LABORATORY_BIAS_SD,
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
SCATTER_POINTS: Final = 13
"""The newest believed samples of a series that its scatter is read from (common practice, no source)."""
RATE_POINTS: Final = 6
"""Samples of a series that a rate may rest on."""


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

    def of(self, i: int) -> "Certainties":
        """Those of the i-th row alone."""
        own = slice(i, i + 1)
        zones = {name: chances[own] for name, chances in self.zones.items()}
        return Certainties(self.status[own], zones, self.rising[own])


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


@dataclass(frozen=True)
class _Noise:
    """How the numbers of r rows may be off.

    Attributes:
        total: (r, 7) relative standard deviation of one result, bias and scatter together.
        scatter: (r, 7) of what differs between results of one source.
        bias: (r, 1) of what they share.
        moved: (r,) True where another laboratory analysed the sample before: then a change holds both biases.
        mixed: (r,) True where another laboratory analysed one of the last few: then a rate holds a bias.
    """

    total: Floats
    scatter: Floats
    bias: Floats
    moved: Bools
    mixed: Bools

    @classmethod
    def of(cls, frame: SampleFrame, changes: Changes, rows: Integers) -> Self:
        whole = np.where(frame.online[rows], INSTRUMENT_RELATIVE_SD, LABORATORY_RELATIVE_SD)[:, None]
        bias = whole * (LABORATORY_BIAS_SD / LABORATORY_RELATIVE_SD)
        usual = np.sqrt(whole**2 - bias**2)
        starts = frame.starts()
        begin = starts[np.searchsorted(starts, rows, side="right") - 1] if len(rows) else rows
        seen = np.array(
            [_scatter(frame, changes, int(b), int(r)) for b, r in zip(begin, rows, strict=True)]
        ).reshape(len(rows), GASES)
        laboratory = frame.laboratory
        moved = laboratory[np.maximum(rows - 1, begin)] != laboratory[rows]
        mixed = moved.copy()
        for back in range(2, RATE_POINTS):
            mixed |= laboratory[np.maximum(rows - back, begin)] != laboratory[rows]
        return cls(np.hypot(bias, usual * seen), usual * seen, bias, moved, mixed)


def _scatter(frame: SampleFrame, changes: Changes, begin: int, row: int) -> Floats:
    """(7,) scatter of a laboratory series up to a row, as a multiple of the usual; 1 for a reading of an instrument."""
    if frame.online[row] or row - begin < 2:
        return np.ones(GASES)
    same = np.arange(max(begin, row + 1 - 2 * SCATTER_POINTS), row + 1)
    same = same[~changes.dropped[same] & (frame.laboratory[same] == frame.laboratory[row])][-SCATTER_POINTS:]
    value = np.where(frame.below[same, :GASES], np.nan, frame.values[same, :GASES])
    usual = np.sqrt(LABORATORY_RELATIVE_SD**2 - LABORATORY_BIAS_SD**2)
    return scatter_seen(frame.at[same], value, measurement_sd(value, usual, _floors()))


def _block(
    frame: SampleFrame, levels: Levels, changes: Changes, patterns: Patterns, rows: Integers, count: int
) -> Certainties:
    noise = _Noise.of(frame, changes, rows)
    value, below = frame.values[rows, :GASES], frame.below[rows, :GASES]
    drawn = draws(value, below, noise.total, _floors(), count, SEED)
    delta, rate = (
        _believed_delta(frame, levels, changes, rows, noise),
        _believed_rate(frame, changes, rows, noise),
    )
    return Certainties(
        status=_status(_likely_levels(drawn, frame, levels, rows), levels, changes, rows, (delta, rate)),
        zones={m.name: _zones(drawn, patterns[m.name], m, rows) for m in ZONE_METHODS if m.drawn},
        rising=np.where(np.isnan(changes.rate[rows]), delta.above_zero(), rate.above_zero()),
    )


def _zones(drawn: Floats, answers: Answers, method: ZoneMethod, rows: Integers) -> Floats:
    """A reading below its limit may lie anywhere below it, so a method barred for that alone speaks here."""
    found = np.zeros((len(rows), len(method.codes)))
    speaks = np.flatnonzero(np.isin(answers.bar[rows], (Bar.NONE, Bar.CENSORED)))
    if speaks.size:
        columns = [NORM_GASES.index(g) for g in method.reads]
        found[speaks] = zone_probabilities(method.says, method.codes, drawn[:, speaks][:, :, columns])
    return found


def _likely_levels(drawn: Floats, frame: SampleFrame, levels: Levels, rows: Integers) -> Floats:
    """Levels as they are likely near detection, where the number says little and most units have less.

    Nine of ten units stand at or below Table 1 (6.1.3), so that the odds of a level fall by a factor of ten over each
    such norm; a normal error of the detection floor then moves down by floor² ln(10) / norm.
    """
    value, below = frame.values[rows, :GASES], frame.below[rows, :GASES]
    norm = np.fmax(value, levels.typical[rows])
    down = np.divide(_floors() ** 2 * np.log(10.0), norm, out=np.zeros(norm.shape), where=(norm > 0) & ~below)
    return np.asarray(np.maximum(drawn - down, 0.0))


def _status(
    drawn: Floats, levels: Levels, changes: Changes, rows: Integers, believed: tuple[Belief, Belief]
) -> Floats:
    """Levels as drawn, deltas and rates as believed."""
    shape = drawn.shape
    status = np.ones(shape[:2], dtype=np.int8)
    status[(drawn > levels.typical[rows]).any(axis=2)] = 2
    judged_2019 = levels.norm_set[rows] == IEEE_2019
    limits = (_delta_limit(levels, changes, rows), _rate_limit(changes, rows))
    # a unit gasses or it does not: one deviate for all its gases
    gassing = np.random.default_rng(SEED + 1).random((shape[0], 1, 1))
    for number, (change, limit, status_above) in enumerate(zip(believed, limits, (2, 3), strict=True)):
        normal = np.random.default_rng(SEED + 2 + number).standard_normal((shape[0], 1, GASES))
        above = (change.drawn(normal, gassing) > limit).any(axis=2) & judged_2019
        status[above] = np.maximum(status[above], np.int8(status_above))
    status[(drawn > levels.high[rows]).any(axis=2)] = 3
    judged = changes.status[rows] > 0
    found = np.stack([(status == s).mean(axis=0) for s in (1, 2, 3)], axis=1)
    return np.where(judged[:, None], found, 0.0)


def _delta_limit(levels: Levels, changes: Changes, rows: Integers) -> Floats:
    """(r, 7) Table 3; for acetylene the least increase that can be measured, as in judging."""
    limit = norms_2019().delta[levels.side[rows]]
    reference = np.nan_to_num(changes.reference[rows, ACETYLENE])
    limit[:, ACETYLENE] += np.maximum(LABORATORY_ACCURACY * np.sqrt(2.0) * reference, ACETYLENE_FLOOR)
    return limit


def _rate_limit(changes: Changes, rows: Integers) -> Floats:
    """(r, 7) Table 4; for acetylene the least increase over the span that can be measured."""
    limit = changes.rate_limit[rows].copy()
    years = changes.rate_span[rows, ACETYLENE] / DAYS_PER_YEAR
    least = np.maximum(
        LABORATORY_ACCURACY * np.sqrt(2.0) * np.nan_to_num(changes.reference[rows, ACETYLENE]),
        ACETYLENE_FLOOR,
    )
    limit[:, ACETYLENE] += np.divide(least, years, out=np.full(years.shape, np.inf), where=years > 0)
    return limit


def _believed_delta(
    frame: SampleFrame, levels: Levels, changes: Changes, rows: Integers, noise: _Noise
) -> Belief:
    """The true change since the reference; two laboratories have two biases, one has its own twice."""
    value, reference, delta = frame.values[rows, :GASES], changes.reference[rows], changes.delta[rows]
    spread = np.hypot(
        measurement_sd(value, noise.scatter, _floors()), measurement_sd(reference, noise.scatter, _floors())
    )
    shared = noise.bias * np.where(noise.moved[:, None], np.hypot(value, reference), np.abs(delta))
    return belief(delta, np.hypot(spread, shared), _delta_limit(levels, changes, rows))


def _believed_rate(frame: SampleFrame, changes: Changes, rows: Integers, noise: _Noise) -> Belief:
    """The true rate, from a least-squares slope.

    For n points evenly over a span T the sum of squared time differences is n T²/12 (n + 1)/(n - 1).
    """
    relative = np.where(noise.mixed[:, None], noise.total, noise.scatter)
    n = np.maximum(changes.rate_points[rows], 2).astype(np.float64)
    spread = n * changes.rate_span[rows] ** 2 / 12.0 * (n + 1.0) / (n - 1.0)
    sd = measurement_sd(frame.values[rows, :GASES], relative, _floors()) * DAYS_PER_YEAR / np.sqrt(spread)
    rate = changes.rate[rows]
    return belief(rate, np.hypot(sd, noise.bias * np.abs(rate)), _rate_limit(changes, rows))
