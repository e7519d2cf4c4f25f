"""Saturated: readings pile up at the top of a sensor's range."""

from collections.abc import Sequence

import numpy as np

from app.domain.instruments.findings import CHECK_FIRST, SINCE, InstrumentFinding, Kind
from app.domain.instruments.own_noise import noise_of_days
from app.domain.instruments.record import CHECKED_GASES, InstrumentRecord, amount, limit_of, name_of
from app.domain.judging.frame import Bools, Floats, to_time
from app.science.measuring.noise import instrument_parameters, noise_of, resolution_at, runs_of
from app.science.quantities import INDEX


def saturated(record: InstrumentRecord, earlier: Sequence[InstrumentFinding]) -> list[InstrumentFinding]:
    """Quantities whose greatest reading comes again and again, where their noise would spread it.

    One long stretch at the top is a saturated sensor where the readings climbed to it and it is a round number, as
    ranges end; any other is left to the rule for stuck values.
    """
    return [f for name in record.measured(CHECKED_GASES) if (f := _of(record, name, earlier))]


def _of(
    record: InstrumentRecord, name: str, earlier: Sequence[InstrumentFinding]
) -> InstrumentFinding | None:
    c = instrument_parameters("saturated")
    at, values, _ = record.series(name, earlier)
    if len(values) < 12:
        return None
    top = float(values.max())
    full = values >= top * (1.0 - 1e-9)
    if full.sum() < c["readings"] or top < 5.0 * limit_of(name):
        return None
    mostly = (~full).sum() < 12
    if not (_long_since(record, name, top) if mostly else _piled_up(values, full)):
        return None
    places = np.flatnonzero(full)
    begins, last = float(at[places[0]]), float(at[places[-1]])
    over = len(values) - 1 - places[-1] >= c["readings"]
    return InstrumentFinding(
        Kind.SATURATED,
        name,
        to_time(begins),
        to_time(last) if over else None,
        f"{name_of(name)} piles up at {amount(top, name)}: {int(full.sum())} readings since {SINCE} stand "
        f"exactly there and none above, as at the end of a sensor's range. The true value may be higher, and its rise "
        f"is not seen: take a laboratory sample soon. {CHECK_FIRST}",
        {"top": top, "readings": float(full.sum())},
    )


def _piled_up(values: Floats, full: Bools) -> bool:
    """Whether so many readings at the top are more than noise would leave there."""
    c = instrument_parameters("saturated")
    top, rest = float(values.max()), values[~full]
    noise = noise_of(rest)
    sd = noise.sd
    if not sd >= c["resolutions"] * resolution_at(noise, float(np.median(rest)), top):
        return False  # a coarse sensor: its greatest reading repeats anyway
    runs = runs_of(full.astype(np.float64))
    stretches = runs.length[runs.value == 1.0]
    scattered = len(stretches) >= c["stretches"] and stretches.max() < 0.9 * stretches.sum()
    if not scattered and not (_round(top) and _climbed(values, full)):
        return False
    near = int(((values > top - sd) & ~full).sum())
    return bool(full.sum() >= c["times_below"] * near)


def _long_since(record: InstrumentRecord, name: str, top: float) -> bool:
    """Whether days before already ended at the top, or climbed to it, and none went above."""
    column = INDEX[name]
    high, low = record.daily.high[:, column], record.daily.low[:, column]
    known = np.isfinite(high)
    high, low = high[known], low[known]
    short = np.flatnonzero(low < top)
    noise = noise_of_days(record, name, record.now)
    if len(short) < 7 or not _round(top) or high.max() > top or noise is None:
        return False
    resolution = resolution_at(noise[0], noise[1], top)
    if not 2.0 * noise[0].sd >= instrument_parameters("saturated")["resolutions"] * resolution:
        return False
    level = float(np.median(high[short[:-7]] if len(short) > 14 else high[short]))
    return bool(high[short[-3:]].max() >= 0.9 * top and level < 0.9 * top)


def _round(value: float) -> bool:
    """Whether two figures say it, as those of a range."""
    return float(f"{value:.2g}") == value


def _climbed(values: Floats, full: Bools) -> bool:
    """Whether the readings before the stretch came near the top from below, at the pace they had."""
    before = values[: int(np.flatnonzero(full)[0])]
    if len(before) < 12:
        return False
    pace = max(float(np.median(before[-3:]) - np.median(before[-9:-6])) / 6.0, 0.0)
    room = 4.0 * noise_of(before).sd + 3.0 * pace
    return bool(before[-3:].max() + room >= values.max())
