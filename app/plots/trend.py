"""The trend of one quantity: laboratory and on-line readings, norm lines, service events."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from app.plots.downsample import min_max
from app.plots.figure import axis, figure
from app.plots.palette import INK, MUTED, mark
from app.science.quantities import BY_NAME


@dataclass(frozen=True, slots=True)
class TrendPoint:
    """One reading; ``below`` marks a detection limit, drawn as an open marker at the limit."""

    at: datetime
    value: float
    below: bool = False


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


def trend(given: TrendInput) -> dict[str, Any]:
    """Figure of one quantity, on a linear scale.

    ``meta.linear`` and ``meta.log`` hold, for the scale switch, the y range and the height of each norm label
    on that scale (annotations want logarithms there; None: out of sight).
    """
    zone = ZoneInfo(given.time_zone)
    linear, log = _ranges(given)
    traces = [*_online(given, zone), *_laboratory(given, zone)]
    start, end = (_local(at, zone) for at in _padded(given.window))
    layout = {
        "height": 190,
        "xaxis": axis(type="date", range=[start, end], nticks=6),
        "yaxis": axis(
            type="linear",
            range=linear,
            nticks=5,
            automargin=True,
            exponentformat="none",
            separatethousands=True,
        ),
        "shapes": [*_norm_shapes(given.norms), *_event_shapes(given.events, zone)],
        "annotations": [*_norm_labels(given.norms, linear), *_event_labels(given.events, zone)],
        "margin": {"l": 46, "r": 10, "t": 16, "b": 26},
    }
    norms = [n.value for n in given.norms if n.value > 0]
    return figure(
        traces,
        layout,
        linear={"range": linear, "labels": [v if v <= linear[1] else None for v in norms]},
        log={"range": log, "labels": [v if log[0] <= v <= log[1] else None for v in map(math.log10, norms)]},
    )


def _laboratory(given: TrendInput, zone: ZoneInfo) -> list[dict[str, Any]]:
    if not given.laboratory:
        return []
    style = mark(given.quantity)
    points = min_max(given.laboratory)
    return [
        {
            "type": "scatter",
            "name": "laboratory",
            "mode": "lines+markers",
            "x": [_local(p.at, zone) for p in points],
            "y": [p.value for p in points],
            "line": {"color": style.color, "width": 1.5, "dash": "dot"},
            "marker": {
                "symbol": [style.symbol + ("-open" if p.below else "") for p in points],
                "size": 9,
                "color": style.color,
                "line": {"width": [1.5 if p.below else 0.8 for p in points], "color": INK},
            },
            "text": [_said(given.quantity, p) for p in points],
            "hovertemplate": "%{text}<br>%{x|%Y-%m-%d %H:%M}<extra>laboratory</extra>",
        }
    ]


def _online(given: TrendInput, zone: ZoneInfo) -> list[dict[str, Any]]:
    if not given.online:
        return []
    style = mark(given.quantity)
    points = min_max(given.online)
    found: list[dict[str, Any]] = [
        {
            "type": "scatter",
            "name": "on-line",
            "mode": "lines",
            "x": [_local(p.at, zone) for p in points],
            "y": [p.value for p in points],
            "line": {"color": style.color, "width": 1.3},
            "text": [_said(given.quantity, p) for p in points],
            "hovertemplate": "%{text}<br>%{x|%Y-%m-%d %H:%M}<extra>on-line</extra>",
        }
    ]
    below = [p for p in points if p.below]
    if below:
        found.append(
            {
                "type": "scatter",
                "name": "on-line, below limit",
                "mode": "markers",
                "x": [_local(p.at, zone) for p in below],
                "y": [p.value for p in below],
                "marker": {"symbol": f"{style.symbol}-open", "size": 5, "color": style.color},
                "text": [_said(given.quantity, p) for p in below],
                "hovertemplate": "%{text}<br>%{x|%Y-%m-%d %H:%M}<extra>on-line</extra>",
            }
        )
    return found


def _said(quantity: str, point: TrendPoint) -> str:
    known = BY_NAME[quantity]
    return f"{known.symbol} {'< ' if point.below else ''}{point.value:.4g} {known.unit}"


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


def _norm_shapes(norms: Sequence[NormLine]) -> list[dict[str, Any]]:
    return [
        {
            "type": "line",
            "xref": "paper",
            "x0": 0,
            "x1": 1,
            "y0": n.value,
            "y1": n.value,
            "line": {"color": INK, "width": 1.4 if n.strong else 1, "dash": "solid" if n.strong else "dash"},
            "layer": "between",  # over the grid, under the readings
        }
        for n in norms
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
            "bgcolor": "rgba(255,255,255,0.75)",
            "borderpad": 0,
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
            "x0": _local(e.at, zone),
            "x1": _local(e.at, zone),
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
            "x": _local(e.at, zone),
            "text": "▾",
            "hovertext": e.label,
            "showarrow": False,
            "font": {"size": 12, "color": MUTED},
        }
        for e in events
    ]


def _padded(window: tuple[datetime, datetime]) -> tuple[datetime, datetime]:
    room = (window[1] - window[0]) * 0.03
    return window[0] - room, window[1] + room


def _local(at: datetime, zone: ZoneInfo) -> str:
    return at.astimezone(zone).strftime("%Y-%m-%dT%H:%M:%S")
