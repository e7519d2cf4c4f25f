"""Units whose true gases are known, and what a laboratory would report of them.

The truth of a unit is the status that the engine gives its true gases; how probable the engine calls each status from
what was measured is compared with it. Levels are spread so that one unit in ten stands above Table 1, as the guide
says; 15 of 100 units gas, at up to several times Table 4; results scatter by 5.6 % (more at some laboratories, less at
others, near detection by half a detection limit) and share a bias of 5 % a laboratory and gas.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from app.domain.judging.engine import Judgement, assess
from app.domain.judging.frame import Bools, Floats, Integers, SampleFrame
from app.domain.judging.norms import norms_2019
from app.domain.judging.rules.certainty import judge_certainty
from app.science.measuring.uncertainty import LABORATORY_BIAS_SD, LABORATORY_RELATIVE_SD, detection_limit
from app.science.quantities import INDEX, NAMES, NORM_GASES
from app.science.trends.rates import DAYS_PER_YEAR

PACES: Final = (30.0, 91.0, 182.0, 365.0)
SIDE: Final = 0
AGE: Final = 2  # 10-30 years
SPREAD: Final = 1.0
GASSING_GASES: Final = 0.6
NEW_LABORATORY: Final = 0.2


@dataclass(frozen=True)
class World:
    """What the units and their laboratories are like.

    Attributes:
        gassing: share of units that gas. accuracy: relative standard deviation of one result. bias: the part of it
            that all results of a laboratory for a gas share.
    """

    gassing: float = 0.15
    accuracy: float = LABORATORY_RELATIVE_SD
    bias: float = LABORATORY_BIAS_SD


WORLD: Final = World()
"""As the engine takes it to be."""


@dataclass(frozen=True)
class Units:
    """True and measured gases of the same samples; ``newest`` are the rows of each unit's last sample."""

    true: SampleFrame
    measured: SampleFrame
    newest: Integers


def simulate(units: int, seed: int, world: World = WORLD) -> Units:
    """So many units with 2 to 12 samples each, at one of four paces."""
    generator = np.random.default_rng(seed)
    norms, gases = norms_2019(), len(NORM_GASES)
    count = generator.integers(2, 13, units)
    series = np.repeat(np.arange(units), count)
    number = np.arange(len(series)) - np.repeat(np.cumsum(count) - count, count)
    pace = generator.choice(PACES, units)[series]
    at = 16_000.0 + pace * (number + generator.uniform(-0.2, 0.2, len(series)))
    years = (at - np.repeat(at[np.cumsum(count) - count], count)) / DAYS_PER_YEAR
    start = norms.typical[SIDE, AGE] * np.exp(SPREAD * (generator.standard_normal((units, gases)) - 1.2816))
    start[:, NORM_GASES.index("c2h2")] *= generator.random(units) < 0.3
    gassing = (generator.random((units, 1)) < world.gassing) & (
        generator.random((units, gases)) < GASSING_GASES
    )
    usual = np.maximum(norms.rate[SIDE, -1], 1.0)
    slope = gassing * 2.0 * usual * np.abs(generator.standard_normal((units, gases)))
    true = start[series] + slope[series] * years[:, None]
    laboratory = (generator.random(units) < NEW_LABORATORY)[series] & (number >= count[series] // 2)
    bias = world.bias * generator.standard_normal((units, 2, gases))[series, laboratory.astype(int)]
    scatter = np.sqrt(world.accuracy**2 - world.bias**2)
    scatter = scatter * np.exp(0.35 * generator.standard_normal(units))[series, None]
    floor = np.array([detection_limit(gas) / 2.0 for gas in NORM_GASES])
    normal = generator.standard_normal((2, *true.shape))
    measured = np.maximum(true * (1.0 + bias + scatter * normal[0]) + floor * normal[1] * (true > 0), 0.0)
    frame = _frame(series, at, true, laboratory)
    return Units(frame, _with(frame, measured), np.cumsum(count) - 1)


def status_chances(units: Units) -> tuple[Floats, Integers]:
    """(u, 3) how probable the engine calls each status of the newest samples, and (u,) the true status."""
    judged: Judgement = assess(units.measured)
    found = judge_certainty(judged.frame, judged.levels, judged.changes, judged.patterns, units.newest)
    return found.status, assess(units.true).changes.status[units.newest]


def reliability(chances: Floats, truth: Integers, status: int) -> list[tuple[float, int, float, float]]:
    """By tenth of the probability told of one status: its begin, cases, mean probability, share that had it."""
    told, held = chances[:, status - 1], truth == status
    table = []
    for low in np.arange(10) / 10.0:
        within = (told >= low) & ((told < low + 0.1) | (low >= 0.9))
        if within.any():
            table.append(
                (float(low), int(within.sum()), float(told[within].mean()), float(held[within].mean()))
            )
    return table


def _frame(series: Integers, at: Floats, gases: Floats, laboratory: Bools) -> SampleFrame:
    n = len(series)
    values = np.full((n, len(NAMES)), np.nan)
    values[:, INDEX["o2"]], values[:, INDEX["n2"]] = 1000.0, 50_000.0
    empty = SampleFrame(
        series=series,
        at=at,
        values=values,
        below=np.zeros(values.shape, dtype=np.bool_),
        age=np.full(n, 20.0),
        online=np.zeros(n, dtype=np.bool_),
        oxygen_ratio=np.full(n, np.nan),
        laboratory=laboratory.astype(np.int64),
    )
    return _with(empty, gases)


def _with(frame: SampleFrame, gases: Floats) -> SampleFrame:
    values = frame.values.copy()
    values[:, : len(NORM_GASES)] = gases
    return replace(frame, values=values)
