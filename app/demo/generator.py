"""What is truly dissolved in the oil of each unit, hour by hour: production, loss, degassing, air, water.

Amounts follow ``dg/dt = production * activity - loss * g``: ordinary ageing keeps a level, faults add their
pattern, temperature speeds both up, and a breather lets gas out. See :mod:`app.demo.stories` for the numbers.
"""

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from app.demo.climate import STEP_HOURS, Climate, Floats, Grid, make_climate, persistent_noise
from app.demo.stories import (
    AIR,
    DEGASSING_LEAVES,
    LIVE_DAYS,
    LOSS,
    PATTERNS,
    PLANS,
    REBOUND_DAYS,
    REBOUND_SHARE,
    Course,
    Plan,
)
from app.domain.model import Asset, EventKind, ServiceEvent
from app.science.quantities import NORM_GASES

STEP_YEARS = STEP_HOURS / 8766.0
MAIN = "main"


@dataclass(frozen=True)
class Truth:
    """The invented truth about the main tank of one unit.

    Attributes:
        grid: its times.
        quantities: (n,) values by quantity name, in the program's units.
    """

    grid: Grid
    quantities: Mapping[str, Floats]


def seed_of(seed: int, *names: str) -> int:
    """A seed of its own for each use, the same on every machine."""
    return zlib.crc32(":".join((str(seed), *names)).encode())


def make_truth(asset: Asset, events: Sequence[ServiceEvent], grid: Grid, seed: int) -> Truth:
    """Follow one unit over the grid.

    Raises:
        KeyError: if the asset has no plan in :data:`app.demo.stories.PLANS`.
    """
    plan = PLANS[asset.code]
    climate = make_climate(
        grid,
        plan.mean_load,
        generator="step-up" in asset.name.lower(),
        weather=seed_of(seed, "weather", asset.site_code),
        unit=seed_of(seed, "load", asset.code),
    )
    degassed = [
        grid.index(e.at)
        for e in events
        if e.asset_code == asset.code and e.kind is EventKind.DEGASSING and grid.time(0) < e.at < grid.end
    ]
    gases = _dissolve(plan, np.array(LOSS[asset.preservation.value]), climate, grid, degassed)
    quantities = {name: gases[:, i] for i, name in enumerate(NORM_GASES)}
    quantities |= _air(asset, grid, seed) | _water(plan, climate)
    quantities |= {
        "oil_temperature": climate.oil,
        "ambient_temperature": climate.ambient,
        "load": climate.load,
    }
    return Truth(grid, quantities)


def _dissolve(plan: Plan, loss: Floats, climate: Climate, grid: Grid, degassed: Sequence[int]) -> Floats:
    """(n, 7) dissolved norm gases [µL/L]."""
    levels = np.array(plan.levels)
    history = slice(0, grid.zero + 1)
    pace = climate.activity / climate.activity[history].mean()
    ageing = levels * (loss + plan.growth)
    made = np.outer(pace, ageing) * STEP_YEARS
    faults = np.zeros_like(made)
    for course in plan.courses:
        faults += _made_by(course, grid, pace)
    keep = np.exp(-loss * STEP_YEARS)
    out = np.empty_like(made)
    now = levels.copy()
    hidden = np.zeros_like(now)
    quiet = False
    release = 1.0 - np.exp(-STEP_HOURS / 24.0 / REBOUND_DAYS)
    for i in range(len(out)):
        if i in degassed:
            hidden, now, quiet = now * REBOUND_SHARE, now * DEGASSING_LEAVES, True
        # the repair that comes with a degassing ends the faults; fresh oil starts to age again
        now = now * keep + (made[i] * 0.4 if quiet else made[i] + faults[i]) + hidden * release
        hidden = hidden * (1.0 - release)
        out[i] = now
    return out


def _made_by(course: Course, grid: Grid, pace: Floats) -> Floats:
    """(n, 7) gas that a fault makes in each step [µL/L]."""
    pattern = np.array(PATTERNS[course.pattern])
    pattern = pattern / pattern.sum()
    days = grid.hours / 24.0
    if course.kind == "steady":
        amount = course.amount * STEP_YEARS * pace
    elif course.kind == "fading":
        passed = 1.0 - np.exp(-(days - days[0]) / course.days)
        amount = course.amount * np.diff(passed, prepend=0.0)
    elif course.kind == "growing":
        passed = np.clip((days + course.days) / course.days, 0.0, None) ** 2
        step = np.diff(passed, prepend=0.0)
        warm = pace / pace[(days > -LIVE_DAYS) & (days <= 0.0)].mean()
        amount = course.amount * step * warm
    else:
        raise ValueError(f"{course.kind!r} is no course; use steady, fading or growing")
    return np.outer(amount, pattern)


def _air(asset: Asset, grid: Grid, seed: int) -> dict[str, Floats]:
    oxygen, nitrogen = AIR[asset.preservation.value]
    n = len(grid.hours)
    drift = persistent_noise(n, days=40.0, seed=seed_of(seed, "air", asset.code))
    return {"o2": oxygen * (1.0 + 0.04 * drift), "n2": nitrogen * (1.0 + 0.01 * drift)}


def _water(plan: Plan, climate: Climate) -> dict[str, Floats]:
    """Water moves between paper and oil with the slow temperature; a little of it follows the day."""
    felt = 0.8 * climate.slow_oil + 0.2 * climate.oil
    return {"water": plan.water * np.exp(0.028 * (felt - 40.0))}
