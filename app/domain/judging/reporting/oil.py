"""Oil quality of one row by voltage class. Never a verdict by itself: one test result decides nothing."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from app.domain.findings import Finding, Severity
from app.domain.judging.frame import SampleFrame
from app.domain.writing import written
from app.science.oil.oil_quality import OIL_VERDICTS, OilLimit, oil_limits, oil_verdict
from app.science.quantities import BY_NAME

STANDARD: Final = "ieee_c57_106_2006"
QUANTITIES: Final = ("breakdown_voltage", "acidity", "interfacial_tension", "water")


def oil_findings(frame: SampleFrame, row: int, rated_kv: float | None) -> Iterator[Finding]:
    """What lies outside the limits of the unit's voltage class; nothing where the voltage is not known."""
    if rated_kv is None or frame.online[row]:
        return
    for name in QUANTITIES:
        value = float(frame.column(name)[row])
        if np.isnan(value) or frame.censored(name)[row]:
            continue
        if OIL_VERDICTS[int(oil_verdict(name, value, rated_kv, STANDARD))] != "outside":
            continue
        limit = _limit(name, rated_kv)
        side = "below the least" if limit.kind == "lowest" else "above the greatest"
        test = f" ({limit.test})" if limit.test else ""
        yield Finding(
            "oil_quality",
            Severity.INFORMATION,
            f"{BY_NAME[name].label.capitalize()} {written(value, 6)} {limit.unit} is {side} value of "
            f"{written(limit.limit, 6)} {limit.unit}"
            f"{test} for {written(rated_kv, 6)} kV; do not decide on one test result.",
            name,
            value,
            limit.limit,
            limit.unit,
            limit.source,
            limit.provenance,
        )


def _limit(name: str, kv: float) -> OilLimit:
    """The limit whose voltage class holds ``kv``; an edge belongs where the table says it is included."""

    def holds(limit: OilLimit) -> bool:
        low = kv > limit.kv_from or (limit.kv_from_included and kv == limit.kv_from)
        high = kv < limit.kv_to or (limit.kv_to_included and kv == limit.kv_to)
        return limit.quantity == name and limit.kind in {"lowest", "highest"} and low and high

    return next(limit for limit in oil_limits(STANDARD) if holds(limit))
