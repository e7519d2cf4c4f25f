"""Invented weather, load and oil temperature on a regular grid of hours; all numbers here are ours."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STEP_HOURS = 4
HISTORY_YEARS = 6.0
LOOKAHEAD_DAYS = 30
"""How far the grid goes past the end of the history, so that a simulated instrument can go on."""

ACTIVATION_KELVIN = 8_000.0
"""Activation energy over the gas constant [K]: gassing doubles for about 9 K (invented, of the usual size)."""
REFERENCE_C = 50.0


@dataclass(frozen=True)
class Grid:
    """Times every :data:`STEP_HOURS` hours; ``end`` is a grid time.

    Attributes:
        end: end of the history (UTC).
        hours: (n,) hours from ``end``, negative before it.
    """

    end: datetime
    hours: Floats

    @classmethod
    def until(cls, end: datetime) -> "Grid":
        """Six years before ``end`` and a month after it. ``end`` must be aware; seconds are cut off."""
        if end.tzinfo is None:
            raise ValueError("end has no time zone; give an aware time, e.g. datetime.now(UTC)")
        steps_before = int(HISTORY_YEARS * 365.25 * 24) // STEP_HOURS
        steps_after = LOOKAHEAD_DAYS * 24 // STEP_HOURS
        hours = np.arange(-steps_before, steps_after + 1, dtype=np.float64) * STEP_HOURS
        return cls(end.astimezone(UTC).replace(second=0, microsecond=0), hours)

    def time(self, index: int) -> datetime:
        return self.end + timedelta(hours=float(self.hours[index]))

    def index(self, at: datetime) -> int:
        """The nearest grid point, held inside the grid."""
        step = round((at - self.end).total_seconds() / 3600.0 / STEP_HOURS)
        return int(np.clip(step + self.zero, 0, len(self.hours) - 1))

    @property
    def zero(self) -> int:
        """Index of ``end``."""
        return int(np.searchsorted(self.hours, 0.0))

    @property
    def years(self) -> Floats:
        """(n,) years from ``end``."""
        return self.hours / 8766.0

    def season(self) -> Floats:
        """(n,) phase of the year [radians]; 0 at its start."""
        start = datetime(self.end.year, 1, 1, tzinfo=UTC)
        offset = (self.end - start).total_seconds() / 3600.0
        return 2.0 * np.pi * (self.hours + offset) / 8766.0

    def clock(self) -> Floats:
        """(n,) phase of the day [radians]; 0 at midnight UTC."""
        hour = self.end.hour + self.end.minute / 60.0
        return 2.0 * np.pi * (self.hours + hour) / 24.0


@dataclass(frozen=True)
class Climate:
    """What surrounds the oil of one unit.

    Attributes:
        ambient: (n,) ambient temperature [°C].
        load: (n,) load [fraction of rating].
        oil: (n,) top-oil temperature [°C].
        slow_oil: (n,) oil temperature smoothed over about ten days [°C]; the paper follows this one.
        activity: (n,) Arrhenius-like factor on gas production, 1 at :data:`REFERENCE_C`.
    """

    ambient: Floats
    load: Floats
    oil: Floats
    slow_oil: Floats
    activity: Floats


def make_climate(grid: Grid, mean_load: float, generator: bool, weather: int, unit: int) -> Climate:
    """Weather of a site (seed ``weather``), load and oil temperature of a unit (seed ``unit``).

    A generator step-up follows the river (most water in late spring), a grid transformer follows the day.
    """
    season, clock = grid.season(), grid.clock()
    n = len(grid.hours)
    noise = persistent_noise(n, days=3.0, seed=weather)
    ambient = 9.0 - 9.5 * np.cos(season - 0.35) - 3.0 * np.cos(clock - 0.6) + 2.5 * noise
    wobble = persistent_noise(n, days=6.0, seed=unit)
    if generator:
        load = mean_load * (1.0 + 0.28 * np.cos(season - 2.4) + 0.10 * wobble)
    else:
        load = mean_load * (1.0 + 0.12 * np.cos(season) - 0.22 * np.cos(clock - 0.8) + 0.06 * wobble)
    load = np.clip(load, 0.02, 1.05)
    oil = ambient + 8.0 + 34.0 * load**1.6
    slow = _smooth(oil, days=10.0)
    activity = np.exp(-ACTIVATION_KELVIN * (1.0 / (oil + 273.15) - 1.0 / (REFERENCE_C + 273.15)))
    return Climate(ambient, load, oil, slow, activity)


def persistent_noise(n: int, days: float, seed: int) -> Floats:
    """(n,) noise of mean 0 and standard deviation near 1 that forgets itself after some days."""
    keep = np.exp(-STEP_HOURS / 24.0 / days)
    white = np.random.default_rng(seed).standard_normal(n)
    out = np.empty(n)
    last = 0.0
    spread = np.sqrt(1.0 - keep * keep)
    for i in range(n):
        last = keep * last + spread * white[i]
        out[i] = last
    return out


def _smooth(values: Floats, days: float) -> Floats:
    keep = np.exp(-STEP_HOURS / 24.0 / days)
    out = np.empty_like(values)
    last = float(values[: 24 // STEP_HOURS].mean())
    for i, value in enumerate(values):
        last = keep * last + (1.0 - keep) * value
        out[i] = last
    return out
