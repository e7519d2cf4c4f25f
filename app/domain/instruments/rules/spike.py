"""Spike: single readings far off, with the readings before and after them where they were."""

from collections.abc import Sequence

import numpy as np

from app.domain.instruments.findings import SINCE, InstrumentFinding, Kind
from app.domain.instruments.record import CHECKED_GASES, InstrumentRecord, amount, limit_of, name_of
from app.domain.judging.frame import Floats, to_time
from app.science.measuring.instrument_signs import hampel, short_groups
from app.science.measuring.noise import instrument_parameters, noise_of


def spike(record: InstrumentRecord, earlier: Sequence[InstrumentFinding]) -> list[InstrumentFinding]:
    """Spikes of each gas; those within a week of one another are one finding."""
    return [f for name in record.measured(CHECKED_GASES) for f in _of(record, name, earlier)]


def _of(record: InstrumentRecord, name: str, earlier: Sequence[InstrumentFinding]) -> list[InstrumentFinding]:
    c = instrument_parameters("spike")
    at, values, _ = record.series(name, earlier)
    half = int(c["half_window"])
    if len(values) < 4 * half:
        return []
    local = _running_median(values, half)
    floor = np.maximum(noise_of(values).sd, c["relative"] / c["deviations"] * local)
    floor = np.maximum(floor, c["detection_limits"] * limit_of(name) / c["deviations"])
    marked = hampel(values, half, c["deviations"], floor)
    places = np.flatnonzero(short_groups(marked, int(c["longest"]), quiet=2))
    found = []
    for group in _near(at[places], c["join_days"]):
        mine = places[group]
        worst = mine[np.argmax(np.abs(values[mine] - local[mine]))]
        found.append(
            _told(name, at[mine], float(values[worst]), float(local[worst]), record.now - at[mine[-1]])
        )
    return found


def _told(name: str, times: Floats, worst: float, level: float, ago: float) -> InstrumentFinding:
    count = len(times)
    many = f"{count} readings" if count > 1 else "one reading"
    return InstrumentFinding(
        Kind.SPIKE,
        name,
        to_time(float(times[0])),
        None
        if ago <= instrument_parameters("spike")["join_days"] and count > 1
        else to_time(float(times[-1])),
        f"{name_of(name)} had {many} far off its neighbours since {SINCE}, the worst "
        f"{amount(worst, name)} where it stood at {amount(level, name)}. Gas in oil does not come and go "
        "within one reading: one may be a disturbance; if they come again, have the sampling line, "
        "the sensor and its supply looked at.",
        {"spikes": float(count), "worst": worst, "level": level},
    )


def _near(times: Floats, days: float) -> list[Floats]:
    """Groups of places whose times follow one another within so many days."""
    if not len(times):
        return []
    cuts = np.flatnonzero(np.diff(times) > days) + 1
    return [np.asarray(part) for part in np.split(np.arange(len(times)), cuts)]


def _running_median(values: Floats, half: int) -> Floats:
    window = np.lib.stride_tricks.sliding_window_view(np.pad(values, half, mode="reflect"), 2 * half + 1)
    return np.asarray(np.median(window, axis=1), dtype=np.float64)
