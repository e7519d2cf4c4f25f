"""What the samples that a look sees say: the joint probability, that of each gas, and how much each gas grew."""

from functools import cache
from typing import Final, NamedTuple

import numpy as np

from app.domain.judging.frame import Bools, Floats, Integers, SampleFrame
from app.domain.judging.rules.calling.looks import Looks
from app.domain.judging.rules.calling.windows import Windows
from app.domain.judging.rules.change import LABORATORY_ACCURACY
from app.domain.judging.rules.levels import GASES
from app.science.measuring.normal import upper_p
from app.science.measuring.uncertainty import detection_limit
from app.science.quantities import FAULT_GASES, NORM_GASES
from app.science.tables import rows
from app.science.trends.joint import FEWEST, joint_rise, winsorized
from app.science.trends.kendall import LARGEST_EXACT, Groups, rising_p
from app.science.trends.trend import kendall_variance

SHORTEST_DAYS: Final = 28.0
"""Samples of a few days share the day's calibration: no rise is told over less than four weeks (common practice)."""
DECADE: Final = 3652.5
MONTHLY: Final = 121
"""Samples of ten years."""
FAULT: Final = np.array([NORM_GASES.index(gas) for gas in FAULT_GASES])
IS_FAULT: Final = np.isin(np.arange(GASES), FAULT)
_EXACT_BELOW: Final = 0.1
"""Where the normal approximation says more, the exact probability is far above any level and is not worked out."""


class Points(NamedTuple):
    """The points of some series: times (b, k) from the first of them [days], and by norm gas (b, k, 7)."""

    origin: Floats
    """(b,) the first point's time [days since 1970]."""
    at: Floats
    value: Floats
    """The number, or the limit where below; NaN where not measured."""
    below: Bools
    counted: Floats
    """What enters sums: below the limit it is half the usual limit, or nothing where the limit is far above that."""


@cache
def usual_limits() -> Floats:
    """Usual detection limits of the norm gases [µL/L]."""
    return np.array([detection_limit(gas) for gas in NORM_GASES])


def counted_values(value: Floats, below: Bools) -> Floats:
    """(..., 7) numbers that may enter a sum: half the usual limit where below; NaN where the limit is far above it."""
    usual = usual_limits()
    half = np.where(value <= 2.0 * usual, np.minimum(usual / 2.0, value), np.nan)
    return np.maximum(np.where(below, half, value), 0.0)


@cache
def _coefficients() -> tuple[Floats, Floats]:
    """Scale and exponent of the level by looks, for the joint test and for a gas."""
    table = {row["test"]: (float(row["scale"]), float(row["exponent"])) for row in rows("trend_call")}
    pair = np.array([table["joint"], table["gas"]])
    return pair[:, 0], pair[:, 1]


def points_seen(frame: SampleFrame, looks: Looks) -> Points:
    value = np.where(looks.there[:, :, None], frame.values[looks.rows, :GASES], np.nan)
    below = frame.below[looks.rows, :GASES] & looks.there[:, :, None]
    at = frame.at[looks.rows] - frame.at[looks.rows[:, :1]]
    return Points(
        frame.at[looks.rows[:, 0]], np.where(looks.there, at, 0.0), value, below, counted_values(value, below)
    )


def joint_p(looks: Looks, points: Points) -> Floats:
    """(b, k) joint probabilities: the mean over the fault gases of ln(x + detection limit), each less its own mean.

    A gas that a sample lacks counts there as its mean.
    """
    b, k = looks.rows.shape
    log = np.log(points.counted[:, :, FAULT] + usual_limits()[FAULT])
    known = ~np.isnan(log)
    log, seen = np.where(known, log, 0.0), looks.use.astype(np.float64)
    mean = (seen @ log) / np.maximum(seen @ known, 1.0)
    score = log.sum(axis=2)[:, None, :] - mean @ known.swapaxes(1, 2)
    score /= np.maximum(known.sum(axis=2), 1)[:, None, :]
    use = looks.use & known.any(axis=2)[:, None, :]
    asked = (looks.own & (use.sum(axis=2) >= FEWEST)).ravel()
    p = np.full(b * k, np.nan)
    if asked.any():
        at, laboratory = (
            np.broadcast_to(column[:, None, :], (b, k, k)).reshape(-1, k)[asked]
            for column in (points.at, looks.laboratory)
        )
        seen_here = use.reshape(-1, k)[asked]
        drawn_in = winsorized(score.reshape(-1, k)[asked], laboratory.astype(np.int64), seen_here)
        p[asked] = joint_rise(at, drawn_in, laboratory.astype(np.int64), seen_here)
    return p.reshape(b, k)


def gas_p(looks: Looks, points: Points) -> Floats:
    """(b, k, 7) one-sided probabilities of each gas's Kendall's S within its laboratories; NaN under four samples.

    A censored value is less than a measured one at or above its limit, and tied with everything else.
    """
    pairs = _pairs(looks, points)
    known = ~np.isnan(points.value).swapaxes(1, 2)
    window = Windows.of(looks)
    s = window.within(pairs.rises)
    groups = np.zeros(s.shape)
    # every point is tied with itself
    with_ties = np.flatnonzero((pairs.ties.sum(axis=3) > known).any(axis=(0, 2)))
    if with_ties.size:
        # size of each point's group, itself included
        alike = window.to_each(pairs.ties[:, with_ties])
        alike *= looks.use[:, None] & known[:, with_ties, None, :]
        groups[:, with_ties] = (np.maximum(alike - 1.0, 0.0) * (2.0 * alike + 5.0)).sum(axis=3)
    counts = _counts(looks, known)
    n = counts.sum(axis=0)
    variance = ((counts * (counts - 1.0) * (2.0 * counts + 5.0)).sum(axis=0) - groups) / 18.0
    p = _upper_tail(s, variance)
    exact = looks.own[:, None, :] & (n >= FEWEST) & (n <= LARGEST_EXACT) & (p < _EXACT_BELOW)
    for b, g, i in zip(*np.nonzero(exact), strict=True):
        if groups[b, g, i] == 0.0:  # nothing is tied
            p[b, g, i] = rising_p(s[b, g, i], tuple((1,) * int(c) for c in counts[:, b, g, i]))
            continue
        place = np.flatnonzero(looks.use[b, i] & known[b, g])
        tied = pairs.ties[b, g][np.ix_(place, place)] > 0.0
        if np.array_equal((tied.astype(np.float64) @ tied) > 0.0, tied):
            p[b, g, i] = rising_p(s[b, g, i], _groups(tied, looks.laboratory[b][place]))
        else:  # "<5" is tied with 3 and with 4, which differ: no groups, so the variance of general scores
            rises = pairs.rises[b, g][np.ix_(place, place)]
            p[b, g, i] = _upper_tail(s[b, g, i : i + 1], _of_scores(rises, looks.laboratory[b][place]))[0]
    return np.where(n >= FEWEST, p, np.nan).swapaxes(1, 2)


class _Pairs(NamedTuple):
    """By gas (b, 7, k, k): 1 where the later point is certainly higher, -1 lower; and 1 where two are tied."""

    rises: Floats
    ties: Floats


def _pairs(looks: Looks, points: Points) -> _Pairs:
    value, below = points.value.swapaxes(1, 2), points.below.swapaxes(1, 2)
    early, late = value[:, :, :, None], value[:, :, None, :]
    early_below, late_below = below[:, :, :, None], below[:, :, None, :]
    alike = looks.laboratory[:, :, None] == looks.laboratory[:, None, :]
    known = ~np.isnan(early) & ~np.isnan(late) & alike[:, None]
    higher = known & ~late_below & ((late > early) | ((late == early) & early_below))
    lower = known & ~early_below & ((late < early) | ((late == early) & late_below))
    after = (points.at[:, None, :] > points.at[:, :, None])[:, None]
    return _Pairs(
        (higher & after).astype(np.float64) - (lower & after), (known & ~higher & ~lower).astype(np.float64)
    )


def _counts(looks: Looks, known: Bools) -> Floats:
    """(laboratories, b, 7, k) points that each look sees of each gas."""
    codes = range(int(looks.laboratory.max(initial=0)) + 1)
    use = looks.use.astype(np.float64)
    own = [
        (known & (looks.laboratory == code)[:, None, :]).swapaxes(1, 2).astype(np.float64) for code in codes
    ]
    return np.array([(use @ one).swapaxes(1, 2) for one in own])


def _upper_tail(s: Floats, variance: Floats) -> Floats:
    spread = np.sqrt(np.maximum(variance, 0.0))
    z = np.divide(s - 1.0, spread, out=np.full(s.shape, -np.inf), where=spread > 0.0)
    return upper_p(z)


def _groups(tied: Bools, laboratory: Integers) -> Groups:
    groups = []
    for code in np.unique(laboratory):
        sizes = np.bincount(tied[laboratory == code].sum(axis=1))
        groups.append(tuple(t for t in range(len(sizes) - 1, 0, -1) for _ in range(sizes[t] // t)))
    return tuple(groups)


def _of_scores(rises: Floats, laboratory: Integers) -> Floats:
    scores = rises - rises.T
    whole = np.zeros(1)
    for code in np.unique(laboratory):
        own = np.flatnonzero(laboratory == code)
        times = np.sign(own[None, :] - own[:, None]).astype(np.float64)
        whole += kendall_variance(times[None], scores[np.ix_(own, own)][None], np.array([len(own)]))
    return whole


def levels(looks: Looks, points: Points) -> Floats:
    """(b, k, 2) probabilities that a look must not exceed, jointly and for one gas: the more looks a decade, the less.

    The pace is that of the samples seen so far, and monthly at most: nobody samples a unit every week for ten years,
    and some weeks of diligence must not make it blind.
    """
    first = np.where(looks.use, points.at[:, None, :], np.inf).min(axis=2)
    span = np.maximum(points.at - np.where(np.isfinite(first), first, points.at), 1.0)
    count = looks.use.sum(axis=2)
    expected = np.maximum(np.minimum(DECADE * (count - 1) / span + 1.0, MONTHLY), count) - (FEWEST - 1)
    scale, exponent = _coefficients()
    return np.asarray(scale * np.maximum(expected, 1.0)[:, :, None] ** exponent)


def grown(looks: Looks, points: Points) -> Bools:
    """(b, k, 7) gases whose least-squares line climbs by more than the accuracy over four weeks or more.

    By more than 15 % of their mean, and than half a detection limit: less is no rise that anybody must know of.
    """
    seen = looks.use.astype(np.float64)
    known = (~np.isnan(points.counted)).astype(np.float64)
    x = np.nan_to_num(points.counted)
    years = points.at[:, :, None] / DECADE
    n = np.maximum(seen @ known, 1.0)
    t, tt, sx, tx = (seen @ column for column in (years * known, years**2 * known, x, years * x))
    spread = tt - t * t / n
    slope = np.divide(tx - t * sx / n, spread, out=np.zeros(n.shape), where=spread > 1e-12)
    first = np.where(looks.use, points.at[:, None, :], np.inf).min(axis=2)
    span = points.at - np.where(np.isfinite(first), first, points.at)
    rise = slope * span[:, :, None] / DECADE
    least = np.maximum(LABORATORY_ACCURACY * sx / n, usual_limits() / 2.0)
    found: Bools = (rise > least) & (span >= SHORTEST_DAYS)[:, :, None]
    return found
