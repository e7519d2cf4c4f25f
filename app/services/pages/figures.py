"""Figures of one unit, from its readings."""

from collections.abc import Mapping, Sequence
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from app.plots.palette import SVG_PATHS, mark
from app.plots.readings import TrendPoint
from app.plots.trend import EventLine, NormLine, TrendInput, trend
from app.plots.zones import PATH_LENGTH, PathPoint, pentagon, triangle
from app.science.diagnosis.pentagons import PENTAGON_1_VERTICES, PENTAGON_GASES, PENTAGON_SUMMITS, centroid
from app.science.diagnosis.triangles import TRIANGLE_1_GASES, TRIANGLE_1_VERTICES
from app.science.quantities import BY_NAME, NORM_GASES
from app.services.pages.trend_data import Point, TrendData, path_samples, trend_data
from app.store.database import Database
from app.store.pages.view_samples import SampleView

DRAWN = (*NORM_GASES, "o2", "n2", "water", "relative_saturation", "oil_temperature", "load")
"""Quantities with a trend chart, in page order; those without readings in the window are left out."""


def trend_figures(database: Database, code: str, compartment: str, range_key: str) -> dict[str, Any] | None:
    """``figures`` (one a quantity), ``notes`` (what was left out or thinned), ``events``; None: no such unit."""
    data = trend_data(database, code, compartment, range_key)
    if data is None:
        return None
    shown = [q for q in DRAWN if data.laboratory.get(q) or data.online.get(q)]
    notes = list(data.cut)
    if data.online_is_daily and data.online:
        notes.append("on-line readings are drawn as daily medians (UTC days)")
    return {
        "figures": [_item(data, q) for q in shown],
        "notes": notes,
        "zone": data.unit.site.time_zone,
    }


def diagram_figures(database: Database, code: str, compartment: str) -> dict[str, Any] | None:
    """Triangle 1 and pentagon 1 with the samples that can be placed in them; None: no such unit.

    Laboratory samples of five years and some on-line readings of the last month, in the order of time. A sample
    with a gas below its detection limit is placed at the limit and said to be so.
    """
    found = path_samples(database, code, compartment, PATH_LENGTH)
    if found is None:
        return None
    unit, samples = found
    zone = ZoneInfo(unit.site.time_zone)
    in_triangle = [p for s in samples if (p := _in_triangle(s, zone))]
    summits = {BY_NAME[gas].symbol: (float(x), float(y)) for gas, (x, y) in PENTAGON_SUMMITS.items()}
    in_pentagon = [p for s in samples if (p := _in_pentagon(s, zone))]
    return {
        "figures": [
            {
                "key": "duval_triangle_1",
                "count": len(in_triangle),
                "figure": triangle(
                    _rings(TRIANGLE_1_VERTICES), [BY_NAME[g].symbol for g in TRIANGLE_1_GASES], in_triangle
                ),
            },
            {
                "key": "duval_pentagon_1",
                "count": len(in_pentagon),
                "figure": pentagon(_rings(PENTAGON_1_VERTICES), summits, in_pentagon),
            },
        ]
    }


def _item(data: TrendData, quantity: str) -> dict[str, Any]:
    known = BY_NAME[quantity]
    style = mark(quantity)
    points = sorted((*data.laboratory.get(quantity, []), *data.online.get(quantity, [])), key=lambda p: p.at)
    low, high = min(p.value for p in points), max(p.value for p in points)
    return {
        "quantity": quantity,
        "symbol": known.symbol,
        "label": known.label,
        "unit": known.unit,
        "mark": {"path": SVG_PATHS[style.symbol], "color": style.color},
        "summary": f"{known.label}: {len(points)} readings between {low:g} and {high:g} {known.unit}, "
        f"the last {'below ' if points[-1].below else ''}{points[-1].value:g}",
        "figure": trend(_trend_input(data, quantity)),
    }


def _trend_input(data: TrendData, quantity: str) -> TrendInput:
    norms: list[NormLine] = []
    if data.column and quantity in data.column.limits:
        limits = data.column.limits[quantity]
        drawn = ((limits.typical, False), (limits.high, True))
        norms = [
            NormLine(limit.value, f"{data.column.titles[strong]}: {limit.value:,g}", strong=strong)
            for limit, strong in drawn
            if limit is not None
        ]
    return TrendInput(
        quantity=quantity,
        laboratory=_drawn(data.laboratory.get(quantity, [])),
        online=_drawn(data.online.get(quantity, [])),
        norms=norms,
        events=[EventLine(e.at, f"{e.kind.value.replace('_', ' ')} {e.note}".strip()) for e in data.events],
        window=(data.start, data.end),
        time_zone=data.unit.site.time_zone,
    )


def _drawn(points: Sequence[Point]) -> list[TrendPoint]:
    return [TrendPoint(p.at, p.value, p.below) for p in points]


def _in_triangle(sample: SampleView, zone: ZoneInfo) -> PathPoint | None:
    shares = _shares(sample, TRIANGLE_1_GASES)
    return PathPoint(tuple(shares), _label(sample, zone, TRIANGLE_1_GASES, shares)) if shares else None


def _in_pentagon(sample: SampleView, zone: ZoneInfo) -> PathPoint | None:
    shares = _shares(sample, PENTAGON_GASES)
    if shares is None:
        return None
    x, y = centroid(*shares)
    return PathPoint((float(x), float(y)), _label(sample, zone, PENTAGON_GASES, shares))


def _shares(sample: SampleView, gases: Sequence[str]) -> list[float] | None:
    """Percentages of the gases' sum; None where one was not measured or none was found."""
    if any(gas not in sample.readings for gas in gases):
        return None
    numbers = [sample.readings[gas].number for gas in gases]
    total = sum(numbers)
    if total <= 0 or all(sample.readings[gas].below is not None for gas in gases):
        return None
    return [100.0 * value / total for value in numbers]


def _label(sample: SampleView, zone: ZoneInfo, gases: Sequence[str], shares: Sequence[float]) -> str:
    at = sample.taken_at.astimezone(zone).strftime("%Y-%m-%d %H:%M")
    parts = [f"{BY_NAME[g].symbol} {share:.1f} %" for g, share in zip(gases, shares, strict=True)]
    limits = [BY_NAME[g].symbol for g in gases if sample.readings[g].below is not None]
    note = f"<br>at the detection limit: {', '.join(limits)}" if limits else ""
    return f"{at}, {sample.source_name}<br>{'<br>'.join(parts)}{note}"


def _rings(zones: Mapping[str, NDArray[np.float64]]) -> dict[str, list[list[float]]]:
    return {code: ring.tolist() for code, ring in zones.items()}
