"""Zone diagrams: a triangle or a pentagon with its zones, and the path of a unit's samples through them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from app.plots.figure import Chart, chart
from app.plots.palette import BLUE, INK, MUTED, PAPER, VERMILION, ZONE_FILLS


@dataclass(frozen=True, slots=True)
class PathPoint:
    """One sample in a diagram. ``coordinates`` are three percentages, or x and y."""

    coordinates: tuple[float, ...]
    label: str


NARROW = 5.0
"""Zones thinner than this [% or pentagon units] have their name beside them."""
PATH_LENGTH = 60
"""Samples drawn in a diagram at most, the newest ones."""


def triangle(
    zones: Mapping[str, Sequence[Sequence[float]]], gases: Sequence[str], path: Sequence[PathPoint]
) -> Chart:
    """A ternary diagram.

    Args:
        zones: vertices of each zone as three percentages, in the order of ``gases``.
        gases: symbols of the three gases; the first has its corner at the top, the second at the right,
            the third at the left.
        path: samples, oldest first; the last is drawn large.
    """
    data = [_triangle_zone(code, corners) for code, corners in zones.items()]
    data.extend(_triangle_label(code, corners) for code, corners in zones.items())
    points = path[-PATH_LENGTH:]
    if points:
        first, second, third = ([p.coordinates[k] for p in points] for k in range(3))
        data.append(
            {
                "type": "scatterternary",
                "a": first,
                "c": second,
                "b": third,
                **_path_style([p.label for p in points]),
            }
        )
    layout = {
        "height": 360,
        "margin": {"l": 40, "r": 40, "t": 34, "b": 44},
        "ternary": {
            side: {"title": {"text": f"% {gas}"}}
            for side, gas in zip(("aaxis", "caxis", "baxis"), gases, strict=True)
        },
    }
    return chart(data, layout)


def pentagon(
    zones: Mapping[str, Sequence[Sequence[float]]],
    corners: Mapping[str, tuple[float, float]],
    path: Sequence[PathPoint],
) -> Chart:
    """A pentagon in its own plane.

    Args:
        zones: vertices (x, y) of each zone.
        corners: symbol of each gas and the (x, y) of its corner.
        path: samples (x, y), oldest first; the last is drawn large.
    """
    data = [_pentagon_zone(code, list(vertices)) for code, vertices in zones.items()]
    data.append(
        {
            "type": "scatter",
            "mode": "text",
            "x": [_middle(v)[0] for v in zones.values()],
            "y": [_middle(v)[1] for v in zones.values()],
            "text": [f"<b>{code}</b>" for code in zones],
            "textposition": [
                "middle left" if max(p[0] for p in v) - min(p[0] for p in v) < NARROW else "middle center"
                for v in zones.values()
            ],
            "textfont": {"size": 13, "color": INK},
            "hoverinfo": "skip",
        }
    )
    points = path[-PATH_LENGTH:]
    if points:
        data.append(
            {
                "type": "scatter",
                "x": [p.coordinates[0] for p in points],
                "y": [p.coordinates[1] for p in points],
                **_path_style([p.label for p in points]),
            }
        )
    layout = {
        "height": 360,
        "margin": {"l": 20, "r": 20, "t": 20, "b": 20},
        "xaxis": {"visible": False, "range": [-48, 48]},
        "yaxis": {"visible": False, "scaleanchor": "x", "range": [-40, 48]},
        "annotations": [
            {"x": x * 1.16, "y": y * 1.1, "text": gas, "showarrow": False, "font": {"size": 13, "color": INK}}
            for gas, (x, y) in corners.items()
        ],
    }
    return chart(data, layout)


def _triangle_zone(code: str, corners: Sequence[Sequence[float]]) -> dict[str, Any]:
    ring = [*corners, corners[0]]
    return {
        "type": "scatterternary",
        "mode": "lines",
        "a": [c[0] for c in ring],
        "c": [c[1] for c in ring],
        "b": [c[2] for c in ring],
        "fill": "toself",
        "fillcolor": ZONE_FILLS.get(code, PAPER),
        "line": {"color": MUTED, "width": 1},
        "hoverinfo": "skip",
        "name": code,
    }


def _triangle_label(code: str, corners: Sequence[Sequence[float]]) -> dict[str, Any]:
    # the middle is found in the drawing's plane: x to the right corner, y to the top one
    plane = [(c[1] + c[0] / 2, c[0]) for c in corners]
    x, a = _middle(plane)
    c = x - a / 2
    narrow = max(p[0] for p in plane) - min(p[0] for p in plane) < NARROW
    return {
        "type": "scatterternary",
        "mode": "text",
        "textposition": "middle left" if narrow else "middle center",
        "cliponaxis": False,
        "a": [a],
        "c": [c],
        "b": [100 - a - c],
        "text": [f"<b>{code}</b>"],
        "textfont": {"size": 13, "color": INK},
        "hoverinfo": "skip",
    }


def _pentagon_zone(code: str, vertices: list[Sequence[float]]) -> dict[str, Any]:
    ring = [*vertices, vertices[0]]
    return {
        "type": "scatter",
        "mode": "lines",
        "x": [v[0] for v in ring],
        "y": [v[1] for v in ring],
        "fill": "toself",
        "fillcolor": ZONE_FILLS.get(code, PAPER),
        "line": {"color": MUTED, "width": 1},
        "hoverinfo": "skip",
        "name": code,
    }


def _path_style(labels: list[str]) -> dict[str, Any]:
    """Older samples small and blue, the newest large and vermilion with a dark rim."""
    older = len(labels) - 1
    return {
        "mode": "lines+markers",
        "name": "samples",
        "line": {"color": BLUE, "width": 1.2, "dash": "dot"},
        "marker": {
            "size": [6] * older + [14],
            "symbol": ["circle"] * older + ["diamond"],
            "color": [BLUE] * older + [VERMILION],
            "opacity": 1,
            "line": {"color": INK, "width": [0.5] * older + [1.5]},
        },
        "text": labels,
        "hovertemplate": "%{text}<extra></extra>",
    }


def _middle(vertices: Sequence[Sequence[float]]) -> tuple[float, float]:
    """Area centroid of a polygon, so that a label sits inside most shapes."""
    area = x = y = 0.0
    for (x0, y0), (x1, y1) in zip(vertices, [*vertices[1:], vertices[0]], strict=True):
        cross = x0 * y1 - x1 * y0
        area += cross
        x += (x0 + x1) * cross
        y += (y0 + y1) * cross
    return x / (3 * area), y / (3 * area)
