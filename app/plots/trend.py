"""The trend of one quantity: laboratory and on-line readings, norm lines, service events."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from app.plots.downsample import min_max
from app.plots.figure import Chart, chart
from app.plots.palette import INK, MUTED, mark
from app.plots.readings import Hover, TrendPoint, local_time, markers, placed, window_range


@dataclass(frozen=True, slots=True)
class NormLine:
    """A horizontal line with a short label, e.g. ``Table 1: 90``."""

    value: float
    label: str
    strong: bool


@dataclass(frozen=True, slots=True)
class EventLine:
    """A vertical line for a service event."""

    at: datetime
    label: str


@dataclass(frozen=True, slots=True)
class TrendInput:
    """What :func:`trend` draws. Times are drawn in ``time_zone``."""

    quantity: str
    laboratory: Sequence[TrendPoint]
    online: Sequence[TrendPoint]
    norms: Sequence[NormLine]
    events: Sequence[EventLine]
    window: tuple[datetime, datetime]
    time_zone: str


SEPARATE: Final = 30
"""Markers of on-line limits at most, so that they are seen one by one; the line and the pointer have all of them."""


def trend(given: TrendInput) -> Chart:
    """Figure of one quantity, on a linear scale.

    ``layout.meta`` holds, for the page's switch of scale, under ``linear`` and ``log`` the y range and the height of
    each norm label on that scale (annotations want logarithms there; None: out of sight).
    """
    zone = ZoneInfo(given.time_zone)
    linear, log = _ranges(given)
    norms = [n.value for n in given.norms if n.value > 0]
    heights = {
        "linear": {"range": linear, "labels": [v if v <= linear[1] else None for v in norms]},
        "log": {
            "range": log,
            "labels": [v if log[0] <= v <= log[1] else None for v in map(math.log10, norms)],
        },
    }
    layout = {
        "height": 190,
        "xaxis": {"type": "date", "range": window_range(given.window, zone), "nticks": 6},
        "yaxis": {"type": "linear", "range": linear, "nticks": 5},
        "shapes": [*_norm_shapes(given, zone), *_event_shapes(given.events, zone)],
        "annotations": [*_norm_labels(given.norms, linear), *_event_labels(given.events, zone)],
        "margin": {"t": 16},
        "meta": heights,
    }
    return chart([*_online(given, zone), *_laboratory(given, zone)], layout)


def _laboratory(given: TrendInput, zone: ZoneInfo) -> list[dict[str, Any]]:
    if not given.laboratory:
        return []
    points = min_max(given.laboratory)
    return [
        {
            **placed(given.quantity, points, zone, Hover("laboratory")),
            "name": "laboratory",
            "mode": "lines+markers",
            "line": {"color": mark(given.quantity).color, "width": 1.5, "dash": "dot"},
            "marker": markers(given.quantity, points, 9),
        }
    ]


def _online(given: TrendInput, zone: ZoneInfo) -> list[dict[str, Any]]:
    if not given.online:
        return []
    style, hover = mark(given.quantity), Hover("on-line")
    points = min_max(given.online)
    found: list[dict[str, Any]] = [
        {
            **placed(given.quantity, points, zone, hover),
            "name": "on-line",
            "mode": "lines",
            "line": {"color": style.color, "width": 1.3},
        }
    ]
    below = [p for p in points if p.below]
    if below:
        found.append(
            {
                **placed(given.quantity, below, zone, hover),
                "name": "on-line, below limit",
                "mode": "markers",
                "marker": {
                    "symbol": f"{style.symbol}-open",
                    "size": 5,
                    "color": style.color,
                    "maxdisplayed": SEPARATE,
                },
            }
        )
    return found


def _ranges(given: TrendInput) -> tuple[list[float], list[float]]:
    values = [p.value for p in (*given.laboratory, *given.online)]
    if not values:
        return [0.0, 1.0], [0.0, 1.0]
    highest = max(values)
    floor = min(0.0, *values)
    # the first norm is always in sight; the second only once the values come near the first
    norms = sorted(n.value for n in given.norms if n.value > 0)
    seen = norms[:1] + [n for n in norms[1:] if highest > 0.7 * norms[0]]
    top = max([highest, *seen, 1e-9])
    lowest = min([v for v in values if v > 0] or [top])
    bottom = min([lowest, *seen])
    return [floor, top * 1.12], [math.log10(bottom) - 0.12, math.log10(top) + 0.12]


def _norm_shapes(given: TrendInput, zone: ZoneInfo) -> list[dict[str, Any]]:
    """Lines over the grid and under the readings, which plotly.js does for lines in the axes' own units only."""
    start, end = given.window
    room = max(end - start, timedelta(days=1))  # for who moves out of the window
    return [
        {
            "type": "line",
            "x0": local_time(start - room, zone),
            "x1": local_time(end + room, zone),
            "y0": n.value,
            "y1": n.value,
            "line": {"color": INK, "width": 1.4 if n.strong else 1, "dash": "solid" if n.strong else "dash"},
            "layer": "between",
        }
        for n in given.norms
        if n.value > 0
    ]


def _norm_labels(norms: Sequence[NormLine], linear: list[float]) -> list[dict[str, Any]]:
    return [
        {
            "xref": "paper",
            "x": 0.26 if n.strong else 0.004,  # side by side, since the two norms may lie close together
            "xanchor": "left",
            "y": n.value,
            "yanchor": "bottom",
            "text": n.label,
            "showarrow": False,
            "visible": n.value <= linear[1],
            "font": {"size": 10, "color": INK},
        }
        for n in norms
        if n.value > 0
    ]


def _event_shapes(events: Sequence[EventLine], zone: ZoneInfo) -> list[dict[str, Any]]:
    return [
        {
            "type": "line",
            "yref": "paper",
            "y0": 0,
            "y1": 1,
            "x0": local_time(e.at, zone),
            "x1": local_time(e.at, zone),
            "line": {"color": MUTED, "width": 1, "dash": "dashdot"},
            "layer": "below",
        }
        for e in events
    ]


def _event_labels(events: Sequence[EventLine], zone: ZoneInfo) -> list[dict[str, Any]]:
    return [
        {
            "yref": "paper",
            "y": 1.0,
            "yanchor": "bottom",
            "x": local_time(e.at, zone),
            "text": "▾",
            "hovertext": e.label,
            "showarrow": False,
            "font": {"size": 12, "color": MUTED},
        }
        for e in events
    ]
