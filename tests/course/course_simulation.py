"""`python -m tests.courses simulate`: thousands of laboratory units, flat and rising, through the engine at once.

How many flat unit-decades are told as rising, as actively gassing, as grave; how late a rise is told.
"""

import argparse
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from course_levels import SHARED, WHITE, YEAR
from course_model import START
from numpy.typing import NDArray

from app.domain.judging.course.states import ACTIVE, STATES
from app.domain.judging.engine import Judgement, assess
from app.domain.judging.frame import Floats, SampleFrame, to_days
from app.science.quantities import INDEX, NAMES

YEARS: Final = 10
LEVELS: Final[Mapping[str, float]] = {
    "h2": 75.0,
    "ch4": 90.0,
    "c2h6": 90.0,
    "c2h4": 50.0,
    "co": 900.0,
    "co2": 10_000.0,
}
"""Table 1 of a sealed unit of 10 to 30 years; acetylene is told apart."""
ACETYLENE: Final = "c2h2"
OXIDES: Final = frozenset({"co", "co2"})
"""Their Tables 1 and 2 lie close together: they stay at 0.4 times Table 1."""
AT_ONCE: Final = 1000
"""Units in one call of the engine."""


@dataclass(frozen=True)
class World:
    """A kind of unit: samples a year, times Table 1, acetylene [µL/L] (None: below its limit), and what rises.

    ``bias``: of a laboratory, one for each gas and lasting; it changes once in the middle where ``two`` is set.
    """

    name: str
    a_year: int
    level: float = 0.4
    acetylene: float | None = None
    rising: tuple[str, ...] = ()
    per_year: float = 0.0
    bias: float = 0.05
    two: bool = False

    @property
    def samples(self) -> int:
        return YEARS * self.a_year + 1

    def frame(self, units: int, rng: np.random.Generator) -> SampleFrame:
        """So many such units, each a series of its own."""
        n = self.samples
        years = np.arange(n) / self.a_year
        values = np.full((units, n, len(NAMES)), np.nan)
        below = np.zeros(values.shape, dtype=np.bool_)
        changed = np.arange(n) >= n // 2 if self.two else np.zeros(n, dtype=np.bool_)
        bottle = rng.normal(0, SHARED, (units, n))
        given = dict(LEVELS) if self.acetylene is None else {**LEVELS, ACETYLENE: self.acetylene / self.level}
        for gas, typical in given.items():
            growth = 1 + (self.per_year * years if gas in self.rising else 0.0 * years)
            lasting = np.where(
                changed, rng.normal(0, self.bias, (units, 1)), rng.normal(0, self.bias, (units, 1))
            )
            noise = np.exp(bottle + lasting + rng.normal(0, WHITE, (units, n)))
            level = 0.4 if gas in OXIDES else self.level
            values[:, :, INDEX[gas]] = level * typical * growth * noise
        if self.acetylene is None:
            values[:, :, INDEX[ACETYLENE]], below[:, :, INDEX[ACETYLENE]] = 0.5, True
        values[:, :, INDEX["o2"]], values[:, :, INDEX["n2"]] = 1500.0, 55_000.0
        count = units * n
        return SampleFrame(
            series=np.repeat(np.arange(units), n),
            at=np.tile(to_days(START) + years * YEAR, units),
            values=values.reshape(count, -1),
            below=below.reshape(count, -1),
            age=np.full(count, 15.0),
            online=np.zeros(count, dtype=np.bool_),
            oxygen_ratio=np.full(count, np.nan),
            laboratory=np.tile(changed.astype(np.int64), units),
        )


@dataclass(frozen=True)
class Told:
    """By unit: the year in which something was first told, NaN for never."""

    rising: Floats
    """By the trend."""
    active: Floats
    """As rising, confirmed or accelerating by the course."""
    grave: Floats
    """With a gravity of 3 or more."""
    status_3: Floats
    at_end: Floats
    """0 where the course is active at the last sample, NaN elsewhere."""


def told(world: World, units: int, rng: np.random.Generator) -> Told:
    """What the engine tells of so many units of a world."""
    found: list[Told] = []
    for first in range(0, units, AT_ONCE):
        some = min(AT_ONCE, units - first)
        judgement = assess(world.frame(some, rng))
        found.append(_first_years(judgement, some, world))
    return Told(
        *(np.concatenate([getattr(one, name) for one in found]) for name in Told.__dataclass_fields__)
    )


def _first_years(judgement: Judgement, units: int, world: World) -> Told:
    def first(mask: NDArray[np.bool_]) -> Floats:
        by_unit = mask.reshape(units, world.samples)
        years = by_unit.argmax(axis=1) / world.a_year
        return np.where(by_unit.any(axis=1), years, np.nan)

    active = [number for number, state in enumerate(STATES) if state in ACTIVE]
    calls, courses = judgement.trend_calls, judgement.courses
    is_active = np.isin(courses.state, active)
    return Told(
        first(calls.any_called()),
        first(is_active),
        first(courses.gravity >= 3),
        first((judgement.changes.status == 3) & ~judgement.changes.suspect),
        np.where(is_active.reshape(units, world.samples)[:, -1], 0.0, np.nan),
    )


FIVE: Final = ("h2", "ch4", "c2h6", "c2h4", "c2h2")
THREE: Final = ("ch4", "c2h6", "c2h4")
PACES: Final = {"yearly": 1, "half-yearly": 2, "monthly": 12}


def worlds() -> list[World]:
    """All that are asked for: flat ones of each pace and level, and rises of three speeds."""
    found = []
    for pace, a_year in PACES.items():
        found += [
            World(f"flat, {pace}", a_year),
            World(f"flat, {pace}, 0.6 µL/L of acetylene", a_year, acetylene=0.6),
            *(
                World(f"flat, {pace}, {level} times Table 1", a_year, level=level)
                for level in (1.0, 1.3, 1.5)
            ),
            World(f"flat, {pace}, another laboratory after five years", a_year, two=True),
        ]
        for per_year in (0.05, 0.10, 0.20):
            for gases, name in ((FIVE, "five gases"), (THREE, "three gases"), (("c2h4",), "one gas")):
                acetylene = 0.6 if gases is FIVE else None
                title = f"{name} +{per_year:.0%} a year, {pace}"
                found.append(World(title, a_year, 0.4, acetylene, gases, per_year))
    return found


def main(words: Sequence[str]) -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.courses simulate", description=__doc__)
    parser.add_argument("--units", type=int, default=10_000, help="flat units of each kind")
    parser.add_argument("--rising-units", type=int, default=1_000, help="rising units of each kind")
    parser.add_argument("--only", default="", help="worlds whose names hold this")
    given = parser.parse_args(words)
    sys.stdout.write(
        "| world | units | rising | active | gravity 3 | status 3 | active at end | years to rising | in 3/5/10 y |\n"
    )
    sys.stdout.write(f"{'| --- ' * 9}|\n")
    for number, world in enumerate(worlds()):
        if given.only in world.name:
            units = given.rising_units if world.rising else given.units
            found = told(world, units, np.random.default_rng(number))
            sys.stdout.write(f"| {' | '.join(_row(world, units, found))} |\n")
            sys.stdout.flush()


def _row(world: World, units: int, found: Told) -> list[str]:
    shares = [_share(one) for one in (found.rising, found.active, found.grave, found.status_3, found.at_end)]
    known = np.sort(np.where(np.isnan(found.rising), np.inf, found.rising))
    median = known[len(known) // 2]
    within = "/".join(f"{100 * np.mean(known <= years):.0f}" for years in (3, 5, 10))
    return [world.name, str(units), *shares, f"{median:.1f}" if np.isfinite(median) else "-", f"{within} %"]


def _share(years: Floats) -> str:
    return f"{100 * np.mean(~np.isnan(years)):.1f} %"
