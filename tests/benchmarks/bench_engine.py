"""The engine on many samples at once, beside the same engine called sample by sample."""

from collections.abc import Callable, Iterator, Sequence
from functools import partial

import numpy as np
from bench_timing import peak_memory, tell, timed
from numpy.typing import NDArray

from app.domain.judging.engine import RULES, assess
from app.domain.judging.frame import DailyMedians, SampleFrame, daily_medians
from app.domain.judging.rules.certainty import DRAWS, judge_certainty
from app.science.diagnosis.pentagons import duval_pentagon_1
from app.science.diagnosis.triangles import duval_triangle_1
from app.science.quantities import INDEX, NAMES

QUIET = {
    "h2": 20.0, "ch4": 15.0, "c2h6": 12.0, "c2h4": 8.0, "c2h2": 0.4, "co": 300.0, "co2": 3000.0, "o2": 900.0,
    "n2": 52_000.0, "water": 10.0, "oil_temperature": 55.0,
}  # fmt: skip
RAW_DAYS = 4.0
"""Readings an on-line rule needs besides the daily medians."""
HISTORY_DAYS = 731.0
"""How far back the rules look in the samples of a laboratory."""


def fleet(compartments: int, samples: int, *, online: bool) -> SampleFrame:
    """Noisy quiet units; one in twenty gasses, acetylene is below its limit in half of the rest. Invented, seeded."""
    rng = np.random.default_rng(7)
    n = compartments * samples
    values = np.full((n, len(NAMES)), np.nan)
    step = np.tile(np.arange(samples), compartments)
    unit = np.repeat(np.arange(compartments), samples)
    for name, level in QUIET.items():
        values[:, INDEX[name]] = level * (1.0 + 0.05 * rng.standard_normal(n))
    gassing = unit % 20 == 0
    for name, rise in (("ch4", 60.0), ("c2h6", 20.0), ("c2h4", 120.0), ("h2", 30.0)):
        values[gassing, INDEX[name]] += rise * step[gassing] / samples
    below = np.zeros(values.shape, dtype=np.bool_)
    censored = ~gassing & (unit % 2 == 1)
    values[censored, INDEX["c2h2"]], below[censored, INDEX["c2h2"]] = 0.5, True
    return SampleFrame(
        series=unit,
        at=np.asarray(16_000.0 + step * (4.0 / 24.0 if online else 7.0), dtype=np.float64),
        values=values,
        below=below,
        age=np.full(n, 12.0),
        online=np.full(n, online),
        oxygen_ratio=np.full(n, np.nan),
    )


def alone(frame: SampleFrame, daily: DailyMedians, row: int) -> Callable[[], object]:
    """A call of the engine for one sample with the history its rules read; what it needs is cut out beforehand."""
    days = RAW_DAYS if frame.online[row] else HISTORY_DAYS
    part = frame.take(np.arange(frame.since(row, days), row + 1))
    same = (daily.series == frame.series[row]) & (daily.day < np.floor(frame.at[row]))
    medians = DailyMedians(daily.series[same], daily.day[same], daily.values[same])
    return lambda: whole(part, medians)


def whole(frame: SampleFrame, daily: DailyMedians | None = None) -> None:
    """Every column of a judgement, those too that are worked out only when they are asked for."""
    judged = assess(frame, daily)
    for rule in RULES:
        getattr(judged, rule.name)


def one_by_one(calls: Sequence[Callable[[], object]]) -> None:
    for call in calls:
        call()


def run_engine(compartments: int, samples: int, single: int, runs: int) -> Iterator[str]:
    """The full assessment of laboratory and on-line samples in one call, and one by one."""
    for online in (False, True):
        kind = "on-line readings, 4-hourly" if online else "laboratory samples, weekly"
        frame = fleet(compartments, samples, online=online)
        daily = daily_medians(frame)
        chosen = np.linspace(len(frame) // 5, len(frame) - 1, single).astype(np.int64)
        calls = [alone(frame, daily, int(row)) for row in chosen]
        together = timed(f"one call, {compartments:,} compartments", len(frame), partial(whole, frame), runs)

        apart = timed(
            "sample by sample, each with its history (a subset)", single, partial(one_by_one, calls), runs
        )
        yield tell(f"full assessment of {len(frame):,} {kind}", together, apart)
    yield "  " + peak_memory()


def run_certainty(rows: int, single: int, runs: int) -> Iterator[str]:
    """Probabilities by draws for many samples in one call, and one by one."""
    frame = fleet(max(1, rows // 50), 50, online=False)
    judged = assess(frame)

    def of(which: NDArray[np.int64]) -> object:
        return judge_certainty(frame, judged.levels, judged.changes, judged.patterns, which, DRAWS)

    every = np.arange(len(frame), dtype=np.int64)
    few = np.linspace(0, len(frame) - 1, single).astype(np.int64)
    together = timed("one call", len(frame), lambda: of(every), runs)
    apart = timed(
        "sample by sample (a subset)", single, lambda: [of(few[i : i + 1]) for i in range(len(few))], runs
    )
    yield tell(f"certainty, {DRAWS} draws a sample", together, apart)


def run_zones(count: int, single: int, runs: int) -> Iterator[str]:
    """Zones of random compositions as arrays, and one by one."""
    rng = np.random.default_rng(3)
    gases = rng.dirichlet(np.ones(5), size=count).T.copy()
    for name, method, columns in (
        ("triangle 1", duval_triangle_1, gases[:3]),
        ("pentagon 1", duval_pentagon_1, gases),
    ):
        few = columns[:, :single].T.tolist()
        together = timed("one call", count, partial(method, *columns), runs)
        apart = timed(
            "point by point (a subset)",
            single,
            partial(one_by_one, [partial(method, *point) for point in few]),
            runs,
        )
        yield tell(f"{name}, {count:,} compositions", together, apart)
