"""How often a flat unit is called rising, how soon a rising one, and how often a forecast holds.

`python -m tests.simulation.trend_simulation` (`--units 10000 --pace monthly --seed 1`) prints the tables of
docs/decisions/trend.md; some minutes.
`tests/domain/judging/test_trend_simulation.py` runs a small one.
"""

import argparse
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from app.domain.judging.engine import assess
from app.domain.judging.frame import Floats, SampleFrame
from app.science.quantities import FAULT_GASES, INDEX, NAMES, NORM_GASES

LEVELS: Final = {"h2": 20.0, "ch4": 15.0, "c2h6": 15.0, "c2h4": 10.0, "c2h2": 2.0, "co": 300.0, "co2": 2500.0}
"""[µL/L] An ordinary unit, well above detection."""
WHITE: Final = 0.075
"""Standard deviation of each gas of each sample (±15 % as two of them, IEEE C57.104-2019, 5.2.1)."""
SHARED: Final = 0.05
"""Of what all gases of one sample share: its bottle, its run."""
YEAR: Final = 365.25
PACES: Final = {"yearly": 1, "half-yearly": 2, "monthly": 12}


@dataclass(frozen=True)
class World:
    """Units that are sampled alike.

    Attributes:
        rise: by gas, share of the first level that it gains a year.
        onset: years without a rise before it.
        halved: share of samples whose bottle lost half of every gas.
        step: standard deviation of a lasting step where the laboratory changes, shared and of each gas; ``named``: the
            samples say which laboratory it was.
    """

    a_year: int
    years: float = 10.0
    rise: Mapping[str, float] = field(default_factory=dict)
    onset: float = 0.0
    halved: float = 0.0
    step: float = 0.0
    named: bool = False

    @property
    def samples(self) -> int:
        return int(self.years * self.a_year) + 1

    def units(self, count: int, rng: np.random.Generator) -> SampleFrame:
        n = self.samples
        years = np.arange(n) / self.a_year
        share = np.array([self.rise.get(gas, 0.0) for gas in NORM_GASES])
        mean = np.array([LEVELS[gas] for gas in NORM_GASES]) * (
            1.0 + share * np.maximum(years - self.onset, 0.0)[:, None]
        )
        noise = rng.normal(0.0, WHITE, (count, n, 7)) + rng.normal(0.0, SHARED, (count, n, 1))
        later = np.arange(n) >= n // 2
        step = rng.normal(0.0, self.step, (count, 1, 7)) + rng.normal(0.0, self.step, (count, 1, 1))
        found = mean * np.exp(noise + step * later[:, None])
        found *= np.where(rng.random((count, n, 1)) < self.halved, 0.5, 1.0)
        values = np.full((count * n, len(NAMES)), np.nan)
        values[:, [INDEX[gas] for gas in NORM_GASES]] = found.reshape(-1, 7)
        return SampleFrame(
            series=np.repeat(np.arange(count), n),
            at=np.tile(10_000.0 + YEAR * years, count),
            values=values,
            below=np.zeros(values.shape, dtype=np.bool_),
            age=np.full(count * n, 20.0),
            online=np.zeros(count * n, dtype=np.bool_),
            oxygen_ratio=np.full(count * n, 0.1),
            laboratory=np.tile(later.astype(np.int64), count) if self.named else np.zeros(0, dtype=np.int64),
        )


def first_calls(world: World, units: int, seed: int = 1) -> Floats:
    """(units,) years from the first sample to the first call of a unit, infinite where there is none."""
    rng = np.random.default_rng(seed)
    most = max(1, 30_000 // world.samples)
    parts = []
    for begin in range(0, units, most):
        count = min(most, units - begin)
        called = assess(world.units(count, rng)).trend_calls.any_called().reshape(count, world.samples)
        parts.append(np.where(called.any(axis=1), called.argmax(axis=1) / world.a_year, np.inf))
    return np.concatenate(parts)


def rises() -> Iterator[tuple[str, dict[str, float], float]]:
    """Name, rise and onset [years] of the courses whose power is measured."""
    for gases in (5, 3, 1):
        for rate in (0.05, 0.10, 0.20, 0.50):
            if gases > 1 or rate > 0.05:
                yield f"{gases} of 5, +{rate:.0%} a year", dict.fromkeys(FAULT_GASES[:gases], rate), 0.0
    yield "3 of 5, +20% a year after 5 flat years", dict.fromkeys(FAULT_GASES[:3], 0.2), 5.0


@dataclass(frozen=True)
class Run:
    """The tables; ``paces``: samples a year by name."""

    units: int
    paces: Mapping[str, int]
    seed: int

    def flat(self) -> None:
        """Flat units."""
        _write(f"Flat units called rising within ten years ({self.units} units)\n")
        for pace, a_year in self.paces.items():
            called = int(np.isfinite(first_calls(World(a_year), self.units, self.seed)).sum())
            _write(f"| {pace} | {called} of {self.units}: {100.0 * called / self.units:.2f} % |\n")

    def disturbed(self) -> None:
        """Flat units with bottles that leaked, or a change of laboratory."""
        _write("Flat units called rising within ten years, %\n")
        _write(
            "| pace | 3 % of samples halved | unnamed change of laboratory | named |\n| --- | --- | --- | --- |\n"
        )
        for pace, a_year in self.paces.items():
            worlds = [
                World(a_year, halved=0.03),
                World(a_year, step=0.05),
                World(a_year, step=0.05, named=True),
            ]
            called = [np.isfinite(first_calls(world, self.units, self.seed)).mean() for world in worlds]
            _write(f"| {pace} | " + " | ".join(f"{100.0 * float(share):.1f}" for share in called) + " |\n")

    def rising(self) -> None:
        """How soon rising units are called."""
        _write(f"Years to the median call, and % called within 3 / 5 / 10 years ({self.units} units)\n")
        _write("| course | " + " | ".join(self.paces) + " |\n" + "| --- " * (1 + len(self.paces)) + "|\n")
        for name, rise, onset in rises():
            cells = []
            for a_year in self.paces.values():
                world = World(a_year, years=10.0 + onset, rise=rise, onset=onset)
                found = first_calls(world, self.units, self.seed) - onset
                within = "/".join(f"{100.0 * float((found <= y).mean()):.0f}" for y in (3.0, 5.0, 10.0))
                cells.append(f"{float(np.median(found)):.1f}; {within}")
            _write(f"| {name} | " + " | ".join(cells) + " |\n")


def _write(text: str) -> None:
    """At once: some figures take a minute."""
    sys.stdout.write(text)
    sys.stdout.flush()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=10_000)
    parser.add_argument("--pace", choices=PACES, action="append", help="all of them when left out")
    parser.add_argument("--only", choices=["flat", "disturbed", "rising"], action="append")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    run = Run(given.units, {name: PACES[name] for name in given.pace or PACES}, given.seed)
    for name, table in (("flat", run.flat), ("disturbed", run.disturbed), ("rising", run.rising)):
        if name in (given.only or [name]):
            table()


if __name__ == "__main__":
    main()
