"""Missing: a quantity that used to come and no longer does, while others still do."""

from collections.abc import Sequence

import numpy as np

from app.domain.instruments.findings import CHECK_FIRST, SINCE, InstrumentFinding, Kind
from app.domain.instruments.record import InstrumentRecord, name_of
from app.domain.judging.frame import to_time
from app.science.measuring.noise import instrument_parameters
from app.science.quantities import INDEX, NAMES


def missing(record: InstrumentRecord, earlier: Sequence[InstrumentFinding]) -> list[InstrumentFinding]:
    """Quantities that came in most readings of at least a fortnight, and in none of the newest.

    Readings the instrument itself calls invalid count as not there.
    """
    del earlier
    return [f for name in NAMES if (f := _of(record, name))]


def _of(record: InstrumentRecord, name: str) -> InstrumentFinding | None:
    c = instrument_parameters("missing")
    column = INDEX[name]
    there = np.isfinite(record.values[:, column])
    if not len(there) or there[-1]:
        return None
    newest = np.flatnonzero(there)
    first_without = int(newest[-1]) + 1 if len(newest) else 0
    without = len(there) - first_without
    begins = float(record.at[first_without])
    if without < c["readings"]:
        return None
    before = record.daily.day < np.floor(begins)
    counts, total = record.daily.counts[before, column], record.daily.total[before]
    days = counts > 0
    if not len(newest) and days.any():  # gone for longer than the readings at hand reach back
        begins = float(record.daily.day[before][days][-1]) + 1.0
    if (record.at[-1] - begins) * 24.0 < c["hours"] or days.sum() < c["days_before"]:
        return None
    recent = np.flatnonzero(days)[-30:]
    share = float(counts[recent].sum() / max(float(total[recent].sum()), 1.0))
    if share < c["share"]:
        return None
    lasts = float(record.at[-1] - begins)
    return InstrumentFinding(
        Kind.MISSING,
        name,
        to_time(begins),
        None,
        f"{name_of(name)} no longer comes: it was in {100 * share:.0f} % of the readings before, and has been in none "
        f"since {SINCE} ({lasts:.0f} days), while other quantities still come. "
        f"A rise of it would not be seen. {CHECK_FIRST}",
        {"days": lasts, "readings_without": float(without), "share_before": share},
    )
