"""The on-line watch: an exponentially weighted mean of what daily values leave unexplained, against its own scatter."""

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from app.science.sequential.learning import Learned, carried, design_of, learn, low_passed, scatter
from app.science.sequential.parameters import WatchParameters

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Integers = NDArray[np.int64]

_WARM_DAYS = 60
"""Days before from which the mean is known when a new fit begins; older ones weigh nothing."""


class Watched(NamedTuple):
    """n days, m columns: the g gases, and behind them their mean where there are two or more.

    Attributes:
        score: (n, m) the mean as a multiple of its standard deviation; NaN on days that were not judged.
        limit: (n, m) what it is compared with; NaN while blind.
        alarm: (n, m) the column stands out: from crossing its limit until it has been back for some days.
        since: (n, m) for days of alarm, the place of the day from which the score was not near zero; -1 elsewhere.
        excess: (n, g) ln of the value over what is expected; NaN while blind or where not measured.
        effect: (n, g) what temperature and load explain, by the newest fit, about its mean [ln]; 0 without one.
        learned: (n,) days without alarm that were learned from or can be, counted up to the day.
        explained: (n,) temperature or load take part in what is expected.
    """

    score: Floats
    limit: Floats
    alarm: Bools
    since: Integers
    excess: Floats
    effect: Floats
    learned: Integers
    explained: Bools


def ewma_sd(phi: Floats, weight: float) -> Floats:
    """Standard deviation of an exponentially weighted mean of a first-order autoregression of variance one.

    Notes:
        var = l/(2 - l) (1 + phi (1 - l))/(1 - phi (1 - l)); with phi = 0 the l/(2 - l) of independent values.

    References:
        1. S. W. Roberts, Control chart tests based on geometric moving averages, Technometrics 1, 1959 (from memory);
           the term of phi is the sum of the autocovariances.
    """
    kept = phi * (1.0 - weight)
    return np.asarray(np.sqrt(weight / (2.0 - weight) * (1.0 + kept) / (1.0 - kept)))


def watch(y: Floats, drivers: Floats, reviewed: Bools) -> Watched:
    """Watch one series from the beginning of its baseline.

    Args:
        y: (n, g) logarithms of daily values on n days in a row, NaN where not measured.
        drivers: (n, k) what may explain them, e.g. oil temperature and load; NaN where not known.
        reviewed: (n,) the first whole day after somebody recorded that the level is known and accepted.

    Notes:
        What was learned stays as it is until more has been learned without any alarm: see ``tables/online_watch.csv``.
        z is the residual over its spread, clipped; E = (1 - l) E + l z; e is the same mean of the rows of regressors.
        The limit is L sqrt(var E + e'Ce (1 + phi)/(1 - phi)), C the inverse of X'WX: the second term is the error of
        what was learned, and opens the limit in a season that was not seen. A review moves the level to that of the
        days after it, with the error that so few days leave.
    """
    parameters = WatchParameters.read()
    run = _Run(y, low_passed(carried(drivers, parameters.carried), parameters.time_constants), parameters)
    for t in range(len(y)):
        run.day(t, bool(reviewed[t]))
    return run.found()


@dataclass(slots=True)
class _Model:
    """What was learned, with all days worked out.

    Attributes:
        residual: (n, m) what is left unexplained. design: (n, g, p) its regressors.
        spread, phi, watched, limit: (m,). level: (m,) variance of a level that was set anew [of the spread's square].
    """

    learned: Learned
    residual: Floats
    design: Floats
    spread: Floats
    phi: Floats
    watched: Bools
    limit: Floats
    level: Floats

    @property
    def inflated(self) -> Floats:
        """(m,) by how much serial correlation raises the variance of a mean of many days."""
        return np.asarray((1.0 + self.phi) / (1.0 - self.phi))

    def sd(self, row: Floats, weight: float) -> Floats:
        """(m,) standard deviation of the weighted mean, with the error of what was learned at the mean row (g, p)."""
        error = np.einsum("gp,gpq,gq->g", row, self.learned.inverse, row)
        if len(self.phi) > len(error):
            known = error[self.learned.watched]
            error = np.r_[error, known.mean() if len(known) else 0.0]
        return np.asarray(np.sqrt(ewma_sd(self.phi, weight) ** 2 + (error + self.level) * self.inflated))


def _spread_out(column: Floats, days: Integers) -> Floats:
    """A column from the first to the last of some days, NaN on all others."""
    found = np.full(int(days[-1] - days[0]) + 1, np.nan)
    found[days - days[0]] = column[days]
    return found


@dataclass(slots=True)
class _Run:
    """The watch on its way through the days."""

    y: Floats
    passed: Floats
    own: WatchParameters
    model: _Model | None = None
    calm: list[int] = field(default_factory=list)
    """Places of the days without alarm since the baseline, or the last review, began."""
    before: int = 0
    """How many of them had passed when it was learned last."""
    level_at: int = -1
    """When the level after a review is known."""
    mean: Floats = field(init=False)
    row: Floats = field(init=False)
    alarm: Bools = field(init=False)
    back: Integers = field(init=False)
    seen: Integers = field(init=False)
    began: Integers = field(init=False)
    out: Watched = field(init=False)

    def __post_init__(self) -> None:
        n, g = self.y.shape
        m = g + (g > 1)
        self.mean, self.row = np.zeros(m), np.zeros((g, 1 + self.passed.shape[2]))
        self.alarm, self.back = np.zeros(m, dtype=np.bool_), np.zeros(m, dtype=np.int64)
        self.seen, self.began = np.full(m, -1), np.full(m, -1)
        nothing = np.full((n, m), np.nan)
        self.out = Watched(
            nothing.copy(),
            nothing.copy(),
            np.zeros((n, m), dtype=np.bool_),
            np.full((n, m), -1),
            np.full((n, g), np.nan),
            np.zeros((n, g)),
            np.zeros(n, dtype=np.int64),
            np.zeros(n, dtype=np.bool_),
        )

    def found(self) -> Watched:
        if self.model is not None:
            learned = self.model.learned
            effect = (self.model.design[..., 1:] * learned.coefficients[:, 1:]).sum(axis=-1)
            self.out.effect[:] = np.where(learned.watched, effect - np.nanmean(effect, axis=0), 0.0)
        return self.out

    def day(self, t: int, reviewed: bool) -> None:
        """One day more."""
        if reviewed:
            self._review(t)
        if self.model is not None and t == self.level_at:
            self._relevel(t, self.model)
        if self.model is not None:
            self._judge(t, self.model)
        if np.isfinite(self.y[t]).any() and not self.alarm.any():
            self.calm.append(t)
            if self._due():
                self._learn(t)
        self.out.learned[t] = len(self.calm)

    # --- learning ---

    def _due(self) -> bool:
        count = len(self.calm)
        if self.model is not None and self._deaf(self.model, self.calm[-1]):
            return True
        ends = {days for steps in self.own.limits.values() for days, _ in steps}
        return count in ends or (count > max(ends) and count - self.before >= self.own.relearn)

    def _deaf(self, model: _Model, t: int) -> bool:
        """Whether what explains the series was not known for more days than a fit allows."""
        most = int((1.0 - self.own.known_share) * self.own.relearn) + 1
        recent = self.passed[0, max(t - most, 0) : t + 1][:, model.learned.explained]
        return t >= most and recent.size > 0 and bool((~np.isfinite(recent)).all(axis=0).any())

    def _learn(self, t: int) -> None:
        """What is known from the newest days without alarm, at most a year of them."""
        days = np.array(self.calm[-self.own.relearn :])
        use = np.zeros(t + 1 - days[0], dtype=np.bool_)
        use[days - days[0]] = True
        part = slice(int(days[0]), t + 1)
        learned = learn(self.y[part], self.passed[:, part], use, self.own)
        case = "explained" if learned.explained.any() else "unexplained"
        limit = self.own.limit(case + ("" if self.y.shape[1] > 1 else "_alone"), len(self.calm))
        self.model = None
        if limit is not None:
            self.before = len(self.calm)
            self.model = self._model(learned, np.array(self.calm[-self.own.relearn :]), limit)
            self._warm(t, self.model)

    def _model(self, learned: Learned, days: Integers, limit: float) -> _Model:
        place = np.searchsorted(self.own.time_constants, learned.tau)
        design = np.moveaxis(design_of(self.passed[place], learned.explained), 0, 1)
        residual = self.y - (design * learned.coefficients).sum(axis=-1)
        residual = np.where(learned.watched, residual, np.nan)
        spread, phi, watched = learned.spread, learned.phi, learned.watched
        if self.y.shape[1] > 1:
            # the mean of the gases, each by its spread, in the units of a usual one
            usual = spread[watched].mean() if watched.any() else 1.0
            mean = (
                (residual[:, watched] / spread[watched]).mean(axis=1) * usual
                if watched.any()
                else residual[:, 0]
            )
            of_mean, phi_of_mean = scatter(
                _spread_out(mean, days), int(learned.explained.sum()) + 1, self.own
            )
            residual = np.concatenate([residual, mean[:, None]], axis=1)
            spread, phi = np.r_[spread, of_mean], np.r_[phi, phi_of_mean]
            watched = np.r_[watched, watched.sum() > 1]
            residual[:, -1] = np.where(watched[-1], residual[:, -1], np.nan)
        limits = np.where(watched, limit, np.nan)
        return _Model(learned, residual, design, spread, phi, watched, limits, np.zeros(len(spread)))

    def _warm(self, t: int, model: _Model) -> None:
        """Begin with the mean of the days before, as the new fit sees them."""
        self.mean, self.row = np.zeros_like(self.mean), np.zeros_like(self.row)
        for day in self.calm[-_WARM_DAYS:]:
            self._advance(day, model)
        self.seen[:] = t

    # --- following ---

    def _advance(self, t: int, model: _Model) -> Bools:
        z = np.clip(model.residual[t] / model.spread, -self.own.clip, self.own.clip)
        known: Bools = np.isfinite(z)
        late = known & (t - self.seen > self.own.gap) & (self.seen >= 0)
        keep, weight = 1.0 - self.own.weight, self.own.weight
        mean = keep * np.where(late, 0.0, self.mean) + weight * np.where(known, z, 0.0)
        self.mean = np.where(known, mean, self.mean)
        explained = np.isfinite(model.design[t])
        self.row = np.where(
            explained, keep * self.row + weight * np.where(explained, model.design[t], 0.0), self.row
        )
        self.seen = np.where(known, t, self.seen)
        return known

    def _judge(self, t: int, model: _Model) -> None:
        known = self._advance(t, model)
        if t < self.level_at:
            return
        score = self.mean / model.sd(self.row, self.own.weight)
        over = known & (score > model.limit)
        quiet = known & (score < self.own.begin_share * model.limit) & ~self.alarm
        self.began = np.where(quiet, t, self.began)
        low = known & (score < self.own.release_share * model.limit)
        self.back = np.where(low, self.back + 1, np.where(known, 0, self.back))
        self.alarm = (self.alarm & (self.back < self.own.release_days)) | over
        self.out.score[t] = np.where(known, score, np.nan)
        self.out.limit[t] = model.limit
        self.out.alarm[t] = self.alarm
        self.out.since[t] = np.where(self.alarm, self.began + 1, -1)
        self.out.excess[t] = model.residual[t, : self.y.shape[1]]
        self.out.explained[t] = bool(model.learned.explained.any())

    def _review(self, t: int) -> None:
        """The level of the days to come is the one to be watched; what is known of scatter and season stays."""
        self.calm, self.before = [], 0
        self.level_at = t + self.own.relevel_days
        self.alarm[:], self.back[:] = False, 0

    def _relevel(self, t: int, model: _Model) -> None:
        days = model.residual[t - self.own.relevel_days : t]
        known = np.isfinite(days)
        enough = known.sum(axis=0) >= self.own.relevel_days // 2
        shift = np.array(
            [np.median(c[k]) if e else 0.0 for c, k, e in zip(days.T, known.T, enough, strict=True)]
        )
        model.residual = model.residual - shift
        model.level = 1.0 / np.maximum(known.sum(axis=0), 1)
        case = "explained" if model.learned.explained.any() else "unexplained"
        first = self.own.limits[case + ("" if self.y.shape[1] > 1 else "_alone")][0][1]
        model.limit = np.where(model.watched, first, np.nan)
        self.mean[:] = 0.0
