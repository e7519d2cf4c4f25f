"""Stuck: the same reading again and again, far longer than the sensor's own noise makes likely."""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from app.domain.instruments.findings import CHECK_FIRST, SINCE, InstrumentFinding, Kind
from app.domain.instruments.own_noise import noise_of_days
from app.domain.instruments.record import CHECKED_GASES, InstrumentRecord, amount, limit_of, name_of
from app.domain.judging.frame import Floats, to_time
from app.science.measuring.noise import (
    Noise,
    instrument_parameters,
    noise_beyond_rounding,
    noise_of,
    resolution_at,
    runs_of,
    stay_probability,
)


class _Run(NamedTuple):
    first: int
    length: int
    value: float
    begins: float


def stuck(record: InstrumentRecord, earlier: Sequence[InstrumentFinding]) -> list[InstrumentFinding]:
    """The longest stretch of one value of each gas, where chance does not explain it.

    Detection limits and zeros are no stretch. A sensor whose resolution is coarser than its noise repeats itself
    rightly: chance then explains any stretch, and nothing is told.
    """
    return [f for name in record.measured(CHECKED_GASES) if (f := _of(record, name, earlier))]


def _of(
    record: InstrumentRecord, name: str, earlier: Sequence[InstrumentFinding]
) -> InstrumentFinding | None:
    c = instrument_parameters("stuck")
    at, values, _ = record.series(name, earlier)
    run = _longest(at, values)
    if run is None or run.length < c["readings"] or run.value <= 0.0:
        return None
    outside = np.concatenate([values[: run.first], values[run.first + run.length :]])
    noise = _own_noise(record, name, run, outside)
    if noise is None or _is_floor(name, outside, run.value):
        return None
    last = float(at[run.first + run.length - 1])
    if (last - run.begins) * 24.0 < c["hours"] or run.length <= c["times_longest"] * _longest_of(outside):
        return None
    stay = stay_probability(c["share_of_noise"] * noise_beyond_rounding(noise), noise.resolution)
    if stay > 0.0 and run.length * math.log(stay) > math.log(c["chance"]):
        return None
    lasts = run.first + run.length == len(values)
    return InstrumentFinding(
        Kind.STUCK,
        name,
        to_time(run.begins),
        None if lasts else to_time(last),
        f"{name_of(name)} {'has stood' if lasts else 'stood'} at exactly {amount(run.value, name)} in "
        f"{run.length} readings in a row or more since {SINCE}, where it scattered "
        f"by {amount(noise.sd, name)} from reading to reading before. A change of the gas would not be seen. "
        f"{CHECK_FIRST}",
        {
            "value": run.value,
            "readings": float(run.length),
            "days": last - run.begins,
            "noise": noise.sd,
            "resolution": noise.resolution,
        },
    )


def _longest(at: Floats, values: Floats) -> _Run | None:
    runs = runs_of(values)
    if not len(runs.start):
        return None
    best = int(np.argmax(runs.length))
    first = int(runs.start[best])
    return _Run(first, int(runs.length[best]), float(runs.value[best]), float(at[first]))


def _longest_of(values: Floats) -> int:
    lengths = runs_of(values).length
    return int(lengths.max()) if len(lengths) else 0


def _own_noise(record: InstrumentRecord, name: str, run: _Run, outside: Floats) -> Noise | None:
    """Noise at the level of the run: from the other readings at hand, else from the ranges of the days before."""
    if len(outside) >= instrument_parameters("stuck")["reference"]:
        noise, level = noise_of(outside), float(np.median(outside))
    else:
        known = noise_of_days(record, name, run.begins)
        if known is None:
            return None
        noise, level = known
    if not (noise.sd > 0.0 and noise.resolution > 0.0 and level > 0.0):
        return None
    return Noise(noise.sd * min(1.0, run.value / level), resolution_at(noise, level, run.value))


def _is_floor(name: str, outside: Floats, value: float) -> bool:
    """Whether the value is the least the sensor ever says: a detection limit by another name."""
    if not len(outside) or value > outside.min():
        return False
    return bool(value <= 2.0 * limit_of(name) or (outside == value).mean() > 0.1)
