"""Figures of docs/decisions/online-change.md: how often the on-line watch calls falsely, and how late it calls truly.

``python tests/casts/online_table.py --units 60`` prints them; worlds of ours, seeded.
"""

import argparse
import sys
from dataclasses import replace

import numpy as np
from online_worlds import WORLD_A, WORLD_B, Floats, World

from app.domain.judging.engine import assess
from app.domain.judging.frame import SampleFrame
from app.domain.watching.change import look
from app.domain.watching.online_course import month_tests, months_called
from app.domain.watching.record import DayRecord
from app.science.quantities import NAMES
from app.science.sequential.watch import watch

YEAR = 365
SPANS = ((180, YEAR), (YEAR, 3 * YEAR))
RISES = (0.005, 0.01, 0.02, 0.05)


def false_calls(world: World, units: int, *, known: bool = True, seed: int = 1) -> list[float]:
    """Episodes a unit-year in the second half-year and in the second and third year; of those within 30 days one."""
    y, drivers = world.made(np.random.default_rng(seed), units, 3 * YEAR)
    if not known:
        drivers = np.full_like(drivers, np.nan)
    calls, days = np.zeros(2), np.zeros(2)
    for one, own in zip(y, drivers, strict=True):
        found = watch(one, own, np.zeros(len(one), dtype=np.bool_))
        alarm = np.asarray(found.alarm.any(axis=1))
        seen = np.asarray(np.isfinite(found.limit).any(axis=1))
        starts = np.flatnonzero(alarm & ~np.r_[False, alarm[:-1]])
        starts = starts[np.r_[True, np.diff(starts) > 30]] if len(starts) else starts
        for k, (begin, end) in enumerate(SPANS):
            calls[k] += ((starts >= begin) & (starts < end)).sum()
            days[k] += seen[begin:end].sum()
    return [float(c) for c in np.where(days > 0, calls / np.maximum(days, 1) * YEAR, np.nan)]


def delays(
    world: World, units: int, learned: int, per_day: float, gases: int, seed: int = 2
) -> tuple[Floats, Floats]:
    """Days from the beginning of a rise to the call, by the watch and by the tables alone; infinite for not in 170."""
    after = 170
    y, drivers = world.made(np.random.default_rng(seed), units, learned + after)
    y = y.copy()
    y[:, learned:, :gases] += per_day * np.arange(1, after + 1)[:, None]
    new = np.full(units, np.inf)
    for k, (one, own) in enumerate(zip(y, drivers, strict=True)):
        alarm = np.asarray(watch(one, own, np.zeros(len(one), dtype=np.bool_)).alarm.any(axis=1))
        if not alarm[learned - 1]:
            new[k] = _first(alarm[learned:])
    return new, by_the_tables(y, learned)


def by_the_tables(y: Floats, learned: int) -> Floats:
    """Days until a reading has status 2 or 3 by Tables 1-4, of units that stood at half of Table 1.

    NaN where the status was not 1 all the month before: of one that flickers nothing can be said.
    """
    units, days, gases = y.shape
    half = np.array([40.0, 45.0, 45.0, 25.0, 0.5, 450.0])[:gases]
    values = np.full((units, days, len(NAMES)), np.nan)
    values[..., :gases] = half * np.exp(y - np.median(y[:, :learned], axis=1, keepdims=True))
    n = units * days
    frame = SampleFrame(
        series=np.repeat(np.arange(units), days),
        at=np.tile(20_000.5 + np.arange(days), units),
        values=values.reshape(n, -1),
        below=np.zeros((n, len(NAMES)), dtype=np.bool_),
        age=np.full(n, np.nan),
        online=np.ones(n, dtype=np.bool_),
        oxygen_ratio=np.full(n, 0.05),
    )
    judged = assess(frame)
    raised = ((judged.changes.status >= 2) & ~judged.changes.suspect).reshape(units, days)
    return np.array(
        [np.nan if one[learned - 30 : learned].any() else _first(one[learned:]) for one in raised]
    )


def months_called_falsely(world: World, decades: int, *, known: bool, seed: int = 3) -> float:
    """Share of unit-decades at rest in which the monthly medians are called rising at some look."""
    called = 0
    for k in range(decades):
        y, drivers = world.made(np.random.default_rng(seed + k), 1, 10 * YEAR)
        values = np.full((10 * YEAR, 7), np.nan)
        values[:, : world.gases] = np.exp(y[0])
        own = drivers[0] if known else np.full_like(drivers[0], np.nan)
        record = DayRecord(
            19_000, values, np.full_like(values, np.nan), own, np.zeros(10 * YEAR, dtype=np.bool_)
        )
        called += any(rises for rises, _ in months_called(month_tests(look(record))))
    return called / decades


def _first(alarm: np.ndarray) -> float:
    return float(np.argmax(alarm) + 1) if alarm.any() else np.inf


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=60)
    units = parser.parse_args().units
    for name, world in (("A", WORLD_A), ("B", WORLD_B)):
        for gases in (6, 1):
            for known in (True, False):
                for phi in (0.3, 0.6):
                    found = false_calls(replace(world, gases=gases, phi=phi), units, known=known)
                    sys.stdout.write(
                        f"false {name} gases={gases} known={known} phi={phi}: {found[0]:.2f} {found[1]:.2f}"
                        + "\n"
                    )
    for known in (True, False):
        share = months_called_falsely(replace(WORLD_A, gases=6), units, known=known)
        sys.stdout.write(f"months called in ten years at rest, known={known}: {share:.3f}\n")
    for learned in (180, YEAR):
        for phi in (0.3, 0.6):
            for per_day in RISES:
                for gases in (3, 1):
                    new, old = delays(replace(WORLD_A, gases=6, phi=phi), units, learned, per_day, gases)
                    middle = [np.quantile(new, q, method="higher") for q in (0.5, 0.9)]
                    before = np.nanquantile(old, 0.5, method="higher")
                    sys.stdout.write(
                        f"delay {learned} phi={phi} {per_day} of {gases}: {middle}, tables {before}" + "\n"
                    )


if __name__ == "__main__":
    main()
