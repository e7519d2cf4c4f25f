"""Negative: a sensor below its zero. The door refuses negative gas, so what can be seen is a pile-up at exact zero."""

from collections.abc import Sequence

import numpy as np

from app.domain.instruments.findings import CHECK_FIRST, SINCE, InstrumentFinding, Kind
from app.domain.instruments.record import InstrumentRecord, amount, limit_of, name_of
from app.domain.judging.frame import Floats, to_time
from app.science.measuring.noise import instrument_parameters
from app.science.quantities import GASES


def negative(record: InstrumentRecord, earlier: Sequence[InstrumentFinding]) -> list[InstrumentFinding]:
    """Gases that stood well above detection and now read zero, or less, again and again.

    Not where work on the oil explains it, and not gases that have always been near zero.
    """
    del earlier
    return [f for name in record.measured(GASES) if (f := _of(record, name))]


def _of(record: InstrumentRecord, name: str) -> InstrumentFinding | None:
    c = instrument_parameters("negative")
    at, values, _ = record.series(name)
    zero = np.flatnonzero(values <= 0.0)
    if len(zero) < c["readings"]:
        return None
    begins, last = float(at[zero[0]]), float(at[zero[-1]])
    level = _level_before(record, name, values[: zero[0]], begins)
    if (last - begins) * 24.0 < c["hours"] or level < c["detection_limits"] * limit_of(name):
        return None
    if record.work_near(begins, instrument_parameters("step")["work_days"]):
        return None
    share = len(zero) / (len(values) - zero[0])
    over = len(values) - 1 - zero[-1] >= c["readings"]
    return InstrumentFinding(
        Kind.NEGATIVE,
        name,
        to_time(begins),
        to_time(last) if over else None,
        f"{name_of(name)} has read exactly zero {len(zero)} times since {SINCE} ({100 * share:.0f} % of its "
        f"readings), where it stood at {amount(level, name)} before. A sensor below its zero, cut off on the way "
        f"here, looks like this; so does oil that was degassed: if it was, record the service event. {CHECK_FIRST}",
        {"zeros": float(len(zero)), "share": float(share), "level_before": level},
    )


def _level_before(record: InstrumentRecord, name: str, values: Floats, begins: float) -> float:
    """Median of the readings before, or of the last daily medians where the readings do not reach back."""
    if len(values) >= 6:
        return float(np.median(values[-50:]))
    medians = record.medians_before(name, begins)
    return float(np.median(medians[-14:])) if len(medians) else 0.0
