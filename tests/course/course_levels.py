"""What the courses are made of: a quiet unit, its noise, and lines of samples."""

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final

import numpy as np
from course_model import START, Readings, Sampled

WHITE: Final = 0.075
"""Of each gas by itself, lognormal; and of all gases of one sample together (one bottle, one run):"""
SHARED: Final = 0.05
QUIET: Final[Mapping[str, float | str]] = {
    "h2": 30.0,
    "ch4": 36.0,
    "c2h6": 36.0,
    "c2h4": 20.0,
    "c2h2": "<0.5",
    "co": 360.0,
    "co2": 4000.0,
    "o2": 1500.0,
    "n2": 55_000.0,
}
"""A sealed unit of 10 to 30 years at 0.4 times Table 1."""
NEW: Final[Mapping[str, float | str]] = {
    "h2": 6.0,
    "ch4": 4.0,
    "c2h6": 3.0,
    "c2h4": 2.0,
    "c2h2": "<0.5",
    "co": 60.0,
    "co2": 500.0,
    "o2": 1500.0,
    "n2": 50_000.0,
}
"""After treatment, or of a new unit."""
AIR: Final = frozenset({"o2", "n2"})
YEAR: Final = 365.25
HALF_YEAR: Final = YEAR / 2
MONTH: Final = YEAR / 12

Levels = Callable[[float], Readings]
"""What a perfect laboratory would find after so many days."""


def steady(**other: float | str) -> Levels:
    """The quiet unit for ever, some quantities at another level."""
    level = {**QUIET, **other}
    return lambda _days: level


def growing(
    per_year: float, *gases: str, begins: float = 0.0, other: Mapping[str, float | str] | None = None
) -> Levels:
    """Gases that rise in a straight line by a share of their first level a year, from some day on."""
    first = {**QUIET, **(other or {})}

    def at(days: float) -> Readings:
        factor = 1 + per_year * max(0.0, days - begins) / YEAR
        return {n: v * factor if n in gases and not isinstance(v, str) else v for n, v in first.items()}

    return at


def adding(begins: float, ends: float | None = None, **per_month: float) -> Levels:
    """The quiet unit, to which some gases are added at an even pace between two days."""

    def at(days: float) -> Readings:
        months = (min(days, ends if ends is not None else days) - begins) / MONTH
        return raised({gas: pace * max(0.0, months) for gas, pace in per_month.items()})

    return at


def raised(by: Mapping[str, float], base: Mapping[str, float | str] = QUIET) -> dict[str, float | str]:
    """Readings with some gas more; what was below its limit counts as nothing."""
    found = dict(base)
    for gas, more in by.items():
        had = found[gas]
        total = more + (0.0 if isinstance(had, str) else had)
        if not isinstance(had, str) or more > 0.5:
            found[gas] = total
    return found


def measured(
    levels: Readings, rng: np.random.Generator, white: float = WHITE, shared: float = SHARED
) -> Readings:
    """What a laboratory finds, to three figures."""
    bottle = rng.normal(0.0, shared)
    found: dict[str, float | str] = {}
    for name, level in levels.items():
        own = rng.normal(0.0, white)
        if isinstance(level, str):
            found[name] = level
        else:
            error = 0.03 * own / WHITE if name in AIR else own + bottle
            found[name] = float(f"{level * np.exp(error):.3g}")
    return found


def days(count: int, every: float) -> list[float]:
    """The days of so many samples."""
    return [round(every * i) for i in range(count)]


def samples(
    at: Sequence[float], levels: Levels, seed: int, white: float = WHITE, shared: float = SHARED
) -> list[Sampled]:
    """Laboratory samples on these days."""
    rng = np.random.default_rng(seed)
    return [Sampled(day(d), measured(levels(d), rng, white, shared)) for d in at]


def exactly(at: Sequence[float], levels: Levels) -> list[Sampled]:
    """The same without any noise."""
    return [Sampled(day(d), levels(d)) for d in at]


def day(days_after: float) -> datetime:
    """So many days after the beginning."""
    return START + timedelta(days=days_after)
