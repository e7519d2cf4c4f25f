"""Daily cycle: readings that swing with the hour of the day, as a sensor with a temperature dependence does."""

from collections.abc import Sequence

import numpy as np

from app.domain.instruments.findings import CHECK_FIRST, SINCE, InstrumentFinding, Kind
from app.domain.instruments.record import InstrumentRecord, limit_of, name_of
from app.domain.judging.frame import Floats, to_time
from app.science.measuring.instrument_signs import daily_cycle as fitted
from app.science.measuring.noise import instrument_parameters
from app.science.quantities import BY_NAME, GASES, INDEX

TEMPERATURES = ("ambient_temperature", "oil_temperature")


def daily_cycle(record: InstrumentRecord, earlier: Sequence[InstrumentFinding]) -> list[InstrumentFinding]:
    """Gases with a strong period of 24 hours.

    Water and its saturation are left out: they do follow the temperature. Where a temperature is measured the cycle
    must go with it; where none is, the sentence says so.
    """
    return [f for name in record.measured(GASES, fewest=24) if (f := _of(record, name, earlier))]


def _of(
    record: InstrumentRecord, name: str, earlier: Sequence[InstrumentFinding]
) -> InstrumentFinding | None:
    c = instrument_parameters("daily")
    at, values, rows = record.series(name, earlier)
    if len(at) < c["days"] * c["readings_a_day"] or float(np.median(values)) < 2.0 * limit_of(name):
        return None
    if at[-1] - at[0] < c["days"] or np.median(np.diff(at)) > 1.05 / c["readings_a_day"]:
        return None
    best = None
    against = ""
    for temperature in TEMPERATURES:
        companion: Floats = record.values[rows, INDEX[temperature]]
        if np.isfinite(companion).mean() < 0.5:
            continue
        one = fitted(at, values, companion)
        if one and (best is None or abs(one.correlation) > abs(best.correlation)):
            best, against = one, temperature
    if best is None:
        best = fitted(at, values)
    if best is None or best.amplitude < c["amplitude"] or best.p > c["chance"]:
        return None
    if best.coherence < c["coherence"] or (against and not abs(best.correlation) >= c["correlation"]):
        return None
    goes = (
        f"it goes with the {BY_NAME[against].label} (correlation {best.correlation:+.2f})"
        if against
        else "no temperature is measured to compare it with"
    )
    return InstrumentFinding(
        Kind.DAILY_CYCLE,
        name,
        to_time(float(at[0])),
        None,
        f"{name_of(name)} swings by ±{100 * best.amplitude:.0f} % every day, highest about "
        f"{best.peak_hour:.0f} h UTC, at least since {SINCE}; {goes}. Gas in this much oil does not "
        f"follow the hours: the sensor depends on temperature. Read daily values, not single ones. {CHECK_FIRST}",
        {
            "amplitude": best.amplitude,
            "peak_hour": best.peak_hour,
            "coherence": best.coherence,
            "correlation": best.correlation,
        },
    )
