"""An instrument beside the laboratory: both over time, and their differences against their mean."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from app.plots.downsample import min_max
from app.plots.figure import axis, figure
from app.plots.palette import HAIRLINE, INK, MUTED, mark
from app.plots.trend import TrendPoint
from app.science.quantities import BY_NAME


@dataclass(frozen=True, slots=True)
class DayPoint:
    """One day of an instrument: the median, and the least and the greatest reading."""

    at: datetime
    value: float
    low: float
    high: float
    below: bool = False


@dataclass(frozen=True, slots=True)
class Difference:
    """One pair: mean of the two, difference in per cent or in the unit, what to say of it, whether it counts."""

    mean: float
    value: float
    text: str
    counts: bool


@dataclass(frozen=True, slots=True)
class Lines:
    """Heights of the horizontal lines: bias, limits of agreement, and the band; None where not known."""

    bias: float | None
    low: float | None
    high: float | None
    band: float


def beside_laboratory(
    quantity: str,
    online: Sequence[DayPoint],
    laboratory: Sequence[TrendPoint],
    window: tuple[datetime, datetime],
    time_zone: str,
) -> dict[str, Any]:
    """Daily medians with their range from least to greatest, and laboratory samples, over time."""
    zone, style = ZoneInfo(time_zone), mark(quantity)
    points = min_max(online)
    days = [_local(p.at, zone) for p in points]
    traces: list[dict[str, Any]] = []
    if points:
        edge = {"type": "scatter", "mode": "lines", "x": days, "hoverinfo": "skip", "line": {"width": 0}}
        traces = [
            {**edge, "name": "least", "y": [p.low for p in points]},
            {
                **edge,
                "name": "greatest",
                "y": [p.high for p in points],
                "fill": "tonexty",
                "fillcolor": HAIRLINE,
            },
            {
                "type": "scatter",
                "name": "on-line, daily median",
                "mode": "lines",
                "x": days,
                "y": [p.value for p in points],
                "line": {"color": style.color, "width": 1.3},
                "text": [f"{_said(quantity, p)}, that day {p.low:.4g} to {p.high:.4g}" for p in points],
                "hovertemplate": "%{text}<br>%{x|%Y-%m-%d}<extra>on-line</extra>",
            },
        ]
    if laboratory:
        traces.append(
            {
                "type": "scatter",
                "name": "laboratory",
                "mode": "markers",
                "x": [_local(p.at, zone) for p in laboratory],
                "y": [p.value for p in laboratory],
                "marker": {
                    "symbol": [style.symbol + ("-open" if p.below else "") for p in laboratory],
                    "size": 10,
                    "color": style.color,
                    "line": {"width": 1, "color": INK},
                },
                "text": [_said(quantity, p) for p in laboratory],
                "hovertemplate": "%{text}<br>%{x|%Y-%m-%d %H:%M}<extra>laboratory</extra>",
            }
        )
    room = (window[1] - window[0]) * 0.03
    across = [_local(window[0] - room, zone), _local(window[1] + room, zone)]
    layout = {
        "height": 190,
        "xaxis": axis(type="date", range=across, nticks=6),
        "yaxis": axis(
            rangemode="tozero", nticks=5, automargin=True, exponentformat="none", separatethousands=True
        ),
        "margin": {"l": 46, "r": 10, "t": 12, "b": 26},
    }
    return figure(traces, layout)


def differences(
    quantity: str, pairs: Sequence[Difference], lines: Lines, *, relative: bool
) -> dict[str, Any]:
    """Differences on-line less laboratory against the mean of both, with bias, limits of agreement and the band."""
    style, known = mark(quantity), BY_NAME[quantity]
    trace = {
        "type": "scatter",
        "name": "pairs",
        "mode": "markers",
        "x": [p.mean for p in pairs],
        "y": [p.value for p in pairs],
        "marker": {
            "symbol": [style.symbol + ("" if p.counts else "-open") for p in pairs],
            "size": 9,
            "color": style.color,
            "line": {"width": 1, "color": INK},
        },
        "text": [p.text for p in pairs],
        "hovertemplate": "%{text}<extra></extra>",
    }
    heights = [p.value for p in pairs] + [h for h in (lines.bias, lines.low, lines.high) if h is not None]
    top = 1.15 * max([abs(h) for h in heights] + [lines.band])
    unit = "%" if relative else known.unit
    layout = {
        "height": 190,
        "xaxis": axis(
            nticks=5,
            title={
                "text": f"mean of both, {known.unit}",
                "font": {"size": 11, "color": MUTED},
                "standoff": 4,
            },
            separatethousands=True,
            exponentformat="none",
        ),
        "yaxis": axis(
            range=[-top, top], nticks=5, automargin=True, ticksuffix=f" {unit}" if relative else ""
        ),
        "shapes": [
            _band(lines.band),
            *_level(lines.bias, "solid", 1.6),
            *_level(lines.low, "dash", 1.0),
            *_level(lines.high, "dash", 1.0),
        ],
        "margin": {"l": 46, "r": 10, "t": 12, "b": 40},
    }
    return figure([trace], layout)


def _band(band: float) -> dict[str, Any]:
    return {
        "type": "rect",
        "xref": "paper",
        "x0": 0,
        "x1": 1,
        "y0": -band,
        "y1": band,
        "fillcolor": HAIRLINE,
        "opacity": 0.5,
        "line": {"width": 0},
        "layer": "below",
    }


def _level(height: float | None, dash: str, width: float) -> list[dict[str, Any]]:
    if height is None:
        return []
    across = {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "y0": height, "y1": height}
    return [{**across, "line": {"color": INK, "width": width, "dash": dash}, "layer": "between"}]


def _said(quantity: str, point: DayPoint | TrendPoint) -> str:
    known = BY_NAME[quantity]
    return f"{known.symbol} {'< ' if point.below else ''}{point.value:.4g} {known.unit}"


def _local(at: datetime, zone: ZoneInfo) -> str:
    return at.astimezone(zone).strftime("%Y-%m-%dT%H:%M:%S")
