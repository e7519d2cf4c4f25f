"""Invented years of an on-line monitor and its laboratory, healthy or with one fault of the instrument in them.

Truth, seasons, noise and faults are ours; sizes are of the usual order (in-service scatter 1-10 % of the level).
Everything follows from one seed.
"""

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from app.domain.instruments.record import DailyRecord, InstrumentRecord, LaboratoryRecord
from app.domain.model import EventKind
from app.science.quantities import INDEX, NAMES

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

START = 20_000.0  # 2024-10-04, in days since 1970
YEAR = 365
MONITORS = {
    "nine": ("h2", "ch4", "c2h6", "c2h4", "c2h2", "co", "co2", "o2", "n2"),
    "five": ("h2", "ch4", "c2h4", "c2h2", "co"),
    "seven": ("h2", "ch4", "c2h6", "c2h4", "c2h2", "co", "co2"),
}
LEVELS = {
    "h2": 28.0,
    "ch4": 22.0,
    "c2h6": 18.0,
    "c2h4": 14.0,
    "c2h2": 0.3,
    "co": 330.0,
    "co2": 2600.0,
    "o2": 9000.0,
    "n2": 55000.0,
}
DETECTION = {
    "h2": 3.0,
    "ch4": 1.5,
    "c2h6": 1.5,
    "c2h4": 1.0,
    "c2h2": 0.5,
    "co": 15.0,
    "co2": 25.0,
    "o2": 500.0,
    "n2": 2000.0,
}
FAULTS: dict[
    str, dict[str, float]
] = {  # shares of the new gas: hot spot, arc, low-energy discharge, partial discharge, tap changer, paper
    "hot": {"h2": 13, "ch4": 24, "c2h6": 8, "c2h4": 54, "c2h2": 0.5},
    "arc": {"h2": 40, "ch4": 17, "c2h6": 3, "c2h4": 20, "c2h2": 20},
    "spark": {"h2": 45, "ch4": 12, "c2h6": 2, "c2h4": 8, "c2h2": 33},
    "corona": {"h2": 87, "ch4": 12, "c2h6": 1},
    "tap": {"h2": 12, "ch4": 7, "c2h6": 1, "c2h4": 15, "c2h2": 65},
    "paper": {"h2": 4, "ch4": 3, "c2h6": 1, "c2h4": 2, "co": 30, "co2": 60},
}


@dataclass
class Year:
    """A year of readings before anything is wrong with them, and the settings it was made with."""

    at: Floats
    values: Floats
    below: Bools
    truth: Floats
    """(n, quantities) without noise: what a laboratory would find."""
    gases: tuple[str, ...]
    noise: float
    interval: float
    rng: np.random.Generator
    laboratory: LaboratoryRecord
    coarse: bool = False
    """Rounded to whole units, not to three figures."""
    events: tuple[tuple[float, EventKind], ...] = field(default=())
    days: DailyRecord | None = None

    def rounded(self, x: Floats) -> Floats:
        """As this monitor writes numbers."""
        return np.asarray(np.round(x)) if self.coarse else _figures(x, 3)

    def record(self, now: float, raw_days: float = 30.0) -> InstrumentRecord:
        """What a look at ``now`` reads: a month of readings, a year of days, the laboratory so far."""
        recent = (self.at <= now) & (self.at > now - raw_days)
        lab = self.laboratory.at <= now
        return InstrumentRecord(
            now=now,
            at=self.at[recent],
            values=self.values[recent],
            below=self.below[recent],
            daily=self._daily(now),
            laboratory=LaboratoryRecord(
                self.laboratory.at[lab], self.laboratory.values[lab], self.laboratory.below[lab]
            ),
            events=tuple(e for e in self.events if e[0] <= now),
            expected_days=self.interval,
        )

    def _daily(self, now: float) -> DailyRecord:
        """The whole days before, worked out once."""
        if self.days is None:
            self.days = _days_of(self)
        d = self.days
        use = d.day < np.floor(now)
        return DailyRecord(
            d.day[use], d.medians[use], d.low[use], d.high[use], d.limits[use], d.counts[use], d.total[use]
        )


def _days_of(year: Year) -> DailyRecord:
    day = np.floor(year.at)
    starts = np.flatnonzero(np.r_[True, np.diff(day) > 0])
    ends = np.r_[starts[1:], len(day)]
    shape = (len(starts), len(NAMES))
    medians, low, high = (np.full(shape, np.nan) for _ in range(3))
    counts, limits = np.zeros(shape), np.zeros(shape, dtype=np.bool_)
    columns = np.flatnonzero(np.isfinite(year.values).any(axis=0))
    for row, (a, b) in enumerate(zip(starts, ends, strict=True)):
        for q in columns:
            x = year.values[a:b, q]
            known = np.isfinite(x)
            if not known.any():
                continue
            x, below = x[known], year.below[a:b, q][known]
            order = np.lexsort((~below, x))
            medians[row, q], low[row, q], high[row, q], counts[row, q] = (
                np.median(x),
                x.min(),
                x.max(),
                len(x),
            )
            limits[row, q] = below[order[len(order) // 2]]
    return DailyRecord(day[starts], medians, low, high, limits, counts, (ends - starts).astype(np.float64))


def healthy(seed: int, *, lab_days: float | None = None, fault: bool | None = None, days: int = YEAR) -> Year:
    """A healthy monitor's year: seasons, load, slow gassing, outages, and mostly a real fault that comes quickly."""
    rng = np.random.default_rng(seed)
    interval = float(rng.choice([1.0, 2.0, 4.0, 4.0, 6.0])) / 24.0
    gases = MONITORS[str(rng.choice(["nine", "nine", "seven", "five"]))]
    noise = float(rng.choice([0.01, 0.02, 0.03, 0.05]))
    at = START + np.arange(0.0, days, interval) + rng.uniform(0.0, interval)
    ambient, load, oil = _climate(at, rng)
    truth = _gases(at, oil, ambient, gases, rng)
    if fault if fault is not None else rng.random() < 0.7:
        _develop(at, truth, rng)
    truth[:, INDEX["ambient_temperature"]], truth[:, INDEX["load"]] = ambient, load
    truth[:, INDEX["oil_temperature"]] = oil
    year = Year(
        at, truth.copy(), np.zeros(truth.shape, dtype=np.bool_), truth, gases, noise, interval, rng, _none()
    )
    year.laboratory = _laboratory(
        year, lab_days if lab_days else float(rng.choice([30.0, 61.0, 91.0, 182.0]))
    )
    _measure(year)
    return _with_outages(year)


def _none() -> LaboratoryRecord:
    empty = np.zeros((0, len(NAMES)))
    return LaboratoryRecord(np.zeros(0), empty, empty.astype(np.bool_))


def _climate(at: Floats, rng: np.random.Generator) -> tuple[Floats, Floats, Floats]:
    season, clock = 2 * np.pi * at / 365.25, 2 * np.pi * at
    weather = _persistent(at, 3.0, rng)
    ambient = 9.0 - 10.0 * np.cos(season - 0.3) - 4.0 * np.cos(clock - 0.6) + 3.0 * weather
    week = np.where(at % 7.0 < 2.0, 0.85, 1.0)
    load = np.clip(0.6 * week * (1.0 + 0.15 * np.cos(season) - 0.25 * np.cos(clock - 0.8)), 0.05, 1.1)
    load = load + 0.03 * _persistent(at, 2.0, rng)
    return ambient, load, ambient + 8.0 + 34.0 * np.abs(load) ** 1.6


def _persistent(at: Floats, days: float, rng: np.random.Generator) -> Floats:
    keep = np.exp(-np.median(np.diff(at)) / days)
    white = rng.standard_normal(len(at)) * np.sqrt(1 - keep**2)
    from scipy.signal import lfilter

    return np.asarray(lfilter([1.0], [1.0, -keep], white), dtype=np.float64)


def _gases(
    at: Floats, oil: Floats, ambient: Floats, gases: tuple[str, ...], rng: np.random.Generator
) -> Floats:
    """Slow gassing that is faster in the warm months, and a small daily breath of the carbon oxides."""
    truth = np.full((len(at), len(NAMES)), np.nan)
    days = at - at[0]
    activity = np.exp((oil - 45.0) / 13.0)
    worked = np.cumsum(activity) / activity.mean() * np.median(np.diff(at)) / 365.25
    breath = (ambient - np.mean(ambient)) / 10.0
    for gas in gases:
        level = LEVELS[gas] * float(np.exp(rng.normal(0.0, 0.5)))
        growth = (
            float(rng.uniform(-0.05, 0.3)) if gas not in {"o2", "n2"} else float(rng.uniform(-0.05, 0.05))
        )
        wander = 0.02 * _persistent(at, 12.0, rng)
        swing = {"co": 0.008, "co2": 0.012, "o2": 0.006}.get(gas, 0.003)
        truth[:, INDEX[gas]] = level * (1.0 + growth * worked + wander + swing * breath)
        if gas in {"h2", "co", "co2"}:
            truth[:, INDEX[gas]] *= 1.0 + 0.06 * np.sin(2 * np.pi * days / 365.25 + rng.uniform(0, 6))
    return truth


def _develop(at: Floats, truth: Floats, rng: np.random.Generator) -> None:
    """A real fault: creeping up, running away, or all at once within one reading, and one after another."""
    for _ in range(int(rng.integers(1, 3))):
        pattern = FAULTS[str(rng.choice(list(FAULTS)))]
        begins = float(at[0] + rng.uniform(0.3, 0.85) * (at[-1] - at[0]))
        lasts = float(rng.choice([0.0, 0.5, 3.0, 10.0, 40.0]))
        amount = float(np.exp(rng.uniform(np.log(30.0), np.log(600.0))))
        since = np.clip((at - begins) / lasts, 0.0, 1.0) if lasts else (at >= begins).astype(np.float64)
        course = since ** float(rng.choice([1.0, 2.0, 3.0]))
        total = sum(pattern.values())
        for gas, share in pattern.items():
            truth[:, INDEX[gas]] += amount * share / total * course


def _measure(year: Year) -> None:
    """Noise, a constant error of each gas, detection limits, and rounding: to figures, or to a coarse resolution."""
    rng = year.rng
    year.coarse = rng.random() < 0.3
    for gas in year.gases:
        q, limit = INDEX[gas], DETECTION[gas]
        n = len(year.at)
        error = float(np.exp(rng.normal(0.0, 0.04)))
        x = year.truth[:, q] * error * (1.0 + year.noise * rng.standard_normal(n))
        x += 0.08 * limit * rng.standard_normal(n)
        low = x < limit
        x = year.rounded(x)
        year.below[:, q] = low
        year.values[:, q] = np.where(low, limit, x)
    for name in ("oil_temperature", "ambient_temperature"):
        year.values[:, INDEX[name]] = np.round(year.values[:, INDEX[name]], 1)
    year.values[:, INDEX["load"]] = np.round(year.values[:, INDEX["load"]], 2)


def _figures(x: Floats, digits: int) -> Floats:
    size = 10.0 ** (np.floor(np.log10(np.maximum(np.abs(x), 1e-9))) - digits + 1)
    return np.asarray(np.round(x / size) * size)


def _laboratory(year: Year, every: float) -> LaboratoryRecord:
    rng = year.rng
    times = np.arange(year.at[0] + rng.uniform(5.0, every), year.at[-1], every)
    times = times + rng.uniform(-3.0, 3.0, len(times))
    scatter = float(rng.uniform(0.04, 0.08))
    values = np.full((len(times), len(NAMES)), np.nan)
    below = np.zeros(values.shape, dtype=np.bool_)
    for gas in year.gases:
        q = INDEX[gas]
        x = np.interp(times, year.at, year.truth[:, q]) * (1.0 + scatter * rng.standard_normal(len(times)))
        limit = DETECTION[gas]
        below[:, q] = x < limit
        values[:, q] = np.where(below[:, q], limit, _figures(x, 3))
    return LaboratoryRecord(times, values, below)


def _with_outages(year: Year) -> Year:
    """Single readings lost, and now and then days without any."""
    rng = year.rng
    kept = rng.random(len(year.at)) > 0.02
    for _ in range(int(rng.integers(0, 4))):
        begins = rng.uniform(year.at[0], year.at[-1])
        kept &= ~((year.at > begins) & (year.at < begins + rng.uniform(0.5, 6.0)))
    return replace(
        year, at=year.at[kept], values=year.values[kept], below=year.below[kept], truth=year.truth[kept]
    )
