"""Figures of one unit, from its readings."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from app.domain.judging.methods import PICTURED
from app.domain.judging.methods.method import Corners, Picture, ZoneMethod
from app.domain.writing import written
from app.plots.palette import SVG_PATHS, mark
from app.plots.readings import TrendPoint
from app.plots.trend import EventLine, NormLine, TrendInput, trend
from app.plots.zones import PATH_LENGTH, PathPoint, pentagon, triangle
from app.science.diagnosis.pentagons import PENTAGON_SUMMITS, centroid
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
    """The methods that have a picture, with the samples that can be placed in it; None: no such unit.

    Laboratory samples of five years and some on-line readings of the last month, in the order of time. A sample
    with a gas below its detection limit is placed at the limit and said to be so.
    """
    found = path_samples(database, code, compartment, PATH_LENGTH)
    if found is None:
        return None
    unit, samples = found
    zone = ZoneInfo(unit.site.time_zone)
    return {"figures": [_diagram(method, picture, samples, zone) for method, picture in PICTURED]}


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
        "summary": f"{known.label}: {len(points)} readings between {written(low, 6)} and {written(high, 6)} "
        f"{known.unit}, the last {'below ' if points[-1].below else ''}{written(points[-1].value, 6)}",
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


def _diagram(
    method: ZoneMethod, picture: Picture, samples: Sequence[SampleView], zone: ZoneInfo
) -> dict[str, Any]:
    place, draw = DRAWINGS[picture.kind]
    path = []
    for sample in samples:
        shares = _shares(sample, method.gases)
        if shares is not None:
            path.append(PathPoint(place(shares), _label(sample, zone, method.gases, shares)))
    return {"key": method.name, "count": len(path), "figure": draw(method.gases, picture.corners, path)}


def _in_pentagon(shares: Sequence[float]) -> tuple[float, ...]:
    x, y = centroid(*shares)
    return float(x), float(y)


def _triangle(gases: Sequence[str], corners: Corners, path: Sequence[PathPoint]) -> Any:
    return triangle(_rings(corners), [BY_NAME[gas].symbol for gas in gases], path)


def _pentagon(gases: Sequence[str], corners: Corners, path: Sequence[PathPoint]) -> Any:
    summits = {BY_NAME[gas].symbol: PENTAGON_SUMMITS[gas] for gas in gases}
    return pentagon(_rings(corners), summits, path)


DRAWINGS: Final[Mapping[str, tuple[Callable[..., tuple[float, ...]], Callable[..., Any]]]] = {
    "triangle": (tuple, _triangle),
    "pentagon": (_in_pentagon, _pentagon),
}
"""By the kind of picture that a method declares: where shares lie in it, and how it is drawn."""


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
