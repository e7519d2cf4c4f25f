"""An instrument beside the laboratory: both over time, and their differences against their mean."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from app.plots.downsample import min_max
from app.plots.figure import Chart, chart
from app.plots.palette import HAIRLINE, INK, mark
from app.plots.readings import FOUR_FIGURES, Hover, TrendPoint, markers, placed, window_range
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
) -> Chart:
    """Daily medians with their range from least to greatest, and laboratory samples, over time."""
    zone = ZoneInfo(time_zone)
    traces = _days(quantity, min_max(online), zone) if online else []
    if laboratory:
        traces.append(
            {
                **placed(quantity, laboratory, zone, Hover("laboratory")),
                "name": "laboratory",
                "mode": "markers",
                "marker": markers(quantity, laboratory, 10),
            }
        )
    layout = {
        "height": 190,
        "xaxis": {"type": "date", "range": window_range(window, zone), "nticks": 6},
        "yaxis": {"rangemode": "tozero", "nticks": 5},
    }
    return chart(traces, layout)


def _days(quantity: str, points: Sequence[DayPoint], zone: ZoneInfo) -> list[dict[str, Any]]:
    """Two invisible edges with the grey between them, then the median of each day."""
    low, high = np.array([p.low for p in points]), np.array([p.high for p in points])
    spread = f", that day %{{customdata[0]:{FOUR_FIGURES}}} to %{{customdata[1]:{FOUR_FIGURES}}}"
    median = placed(quantity, points, zone, Hover("on-line", "%Y-%m-%d", spread))
    edge = {"type": "scatter", "mode": "lines", "x": median["x"], "hoverinfo": "skip", "line": {"width": 0}}
    return [
        {**edge, "name": "least", "y": low},
        {**edge, "name": "greatest", "y": high, "fill": "tonexty", "fillcolor": HAIRLINE},
        {
            **median,
            "name": "on-line, daily median",
            "mode": "lines",
            "line": {"color": mark(quantity).color, "width": 1.3},
            "customdata": np.column_stack([low, high]),
        },
    ]


def differences(quantity: str, pairs: Sequence[Difference], lines: Lines, *, relative: bool) -> Chart:
    """Differences on-line less laboratory against the mean of both, with bias, limits of agreement and the band."""
    style, known = mark(quantity), BY_NAME[quantity]
    trace = {
        "type": "scatter",
        "name": "pairs",
        "mode": "markers",
        "x": np.array([p.mean for p in pairs]),
        "y": np.array([p.value for p in pairs]),
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
    layout = {
        "height": 190,
        "xaxis": {"nticks": 5, "title": {"text": f"mean of both, {known.unit}"}},
        "yaxis": {"range": [-top, top], "nticks": 5, "ticksuffix": " %" if relative else ""},
        "shapes": [
            _band(lines.band),
            *_level(lines.bias, "solid", 1.6),
            *_level(lines.low, "dash", 1.0),
            *_level(lines.high, "dash", 1.0),
        ],
        "margin": {"b": 40},
    }
    return chart([trace], layout)


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
