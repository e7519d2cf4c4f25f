"""Drift: the difference from the laboratory grows with time."""

import math
from collections.abc import Sequence

import numpy as np

from app.domain.instruments.findings import CHECK_FIRST, SINCE, InstrumentFinding, Kind
from app.domain.instruments.pairs import Pairs, pairs_of, telling
from app.domain.instruments.record import CHECKED_GASES, InstrumentRecord, name_of
from app.domain.judging.frame import Floats, to_time
from app.science.measuring.noise import MAD_TO_SD, instrument_parameters
from app.science.trends.rates import DAYS_PER_YEAR
from app.science.trends.trend import theil_sen


def drift(record: InstrumentRecord, earlier: Sequence[InstrumentFinding]) -> list[InstrumentFinding]:
    """Gases whose ratio to the laboratory's moves steadily: Theil-Sen slope of ln(on-line/laboratory) over time.

    The interval must leave out zero at 99 % shared among the gases, the change over the span must be more than the
    accuracy of a laboratory, and more than four standard errors with a scatter no smaller than laboratories have.
    """
    del earlier
    by_gas = {name: pairs_of(record, name) for name in CHECKED_GASES}
    by_gas = {name: p.where(telling(p, name)) for name, p in by_gas.items() if len(p)}
    fewest = instrument_parameters("drift")["pairs"]
    enough = {name: p for name, p in by_gas.items() if len(p) >= fewest}
    return [f for name, pairs in enough.items() if (f := _of(name, pairs, len(enough)))]


def _of(name: str, pairs: Pairs, gases: int) -> InstrumentFinding | None:
    c = instrument_parameters("drift")
    d, at = pairs.logarithmic, pairs.at
    fit = theil_sen(at, d, np.ones(len(d), dtype=np.bool_), 1.0 - (1.0 - c["confidence"]) / gases)
    slope, low, high = (float(x) for x in (fit.per_year, fit.low, fit.high))
    if not (low > 0.0 or high < 0.0):
        return None
    years = (at - at.mean()) / DAYS_PER_YEAR
    span = float(years[-1] - years[0])
    error = _scatter(d - slope * years, c["scatter"]) / math.sqrt(float((years * years).sum()))
    change = math.expm1(slope * span)
    if abs(change) < c["change"] or abs(slope) < c["deviations"] * error:
        return None
    per_year = [100.0 * math.expm1(s) for s in (slope, low, high)]
    now = 100.0 * math.expm1(float(fit.level))
    return InstrumentFinding(
        Kind.DRIFT,
        name,
        to_time(float(at[0])),
        None,
        f"{name_of(name)} drifts against the laboratory by {per_year[0]:+.0f} % a year ({per_year[1]:+.0f} to "
        f"{per_year[2]:+.0f} %) since {SINCE}, over {len(at)} samples taken together; it now reads "
        f"{now:+.0f} % against it. A slow rise or fall of this gas on-line may be the sensor's. {CHECK_FIRST}",
        {
            "percent_a_year": per_year[0],
            "low": per_year[1],
            "high": per_year[2],
            "pairs": float(len(at)),
            "percent_now": now,
        },
    )


def _scatter(rest: Floats, least: float) -> float:
    """Standard deviation of the residuals: the larger of the robust and the usual one, and no less than given."""
    off = np.abs(rest - np.median(rest))
    robust = MAD_TO_SD * float(np.median(off))
    usual = math.sqrt(float((off * off).sum()) / max(len(rest) - 2, 1))
    return max(robust, usual, least)
