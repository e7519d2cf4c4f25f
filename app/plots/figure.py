"""What all figures share: their template, how they are built and how they are sent.

Every figure is a :class:`plotly.graph_objects.Figure` that carries its own template, so that it looks the same on a
page and in a notebook.
"""

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any, Final

import numpy as np
import plotly.graph_objects as go

from app.plots.palette import HAIRLINE, INK, MUTED, PAPER

FONT: Final = (
    "'Source Sans 3', 'Noto Sans', 'Segoe UI', 'Helvetica Neue', 'Liberation Sans', Arial, sans-serif"
)
"""The same as in app/web/static/ullage.css."""

CONFIG: Final[dict[str, Any]] = {
    "responsive": True,
    "displaylogo": False,
    "showSendToCloud": False,
    "plotlyServerURL": "",
    "scrollZoom": False,
    "modeBarButtonsToRemove": ["select2d", "lasso2d", "autoScale2d"],
    "toImageButtonOptions": {"format": "png", "scale": 2},
}
"""Nothing is sent anywhere: no cloud button, no server. In a notebook: ``figure.show(config=CONFIG)``."""

_validated: set[Any] = set()
_FREE: Final = {"x", "y", "a", "b", "c", "x0", "x1", "y0", "y1", "range", "text", "hovertext", "meta"}
"""Properties that hold a figure's own numbers and words. All others are style."""


class Chart(go.Figure):  # type: ignore[misc]
    """A plotly figure that can be sent without being copied."""

    def sent(self) -> dict[str, Any]:
        """What plotly.js draws: the figure's own ``data`` and ``layout``, and how the page shows it."""
        return {"data": self._data, "layout": self._layout, "config": CONFIG}


def chart(traces: Sequence[Mapping[str, Any]], layout: Mapping[str, Any]) -> Chart:
    """A figure with the template of all figures; what ``layout`` says itself wins.

    Plotly's check of every property takes five times as long as all else. Charts of one kind differ in numbers and
    words only, so a style that passed once in this process is not checked again.

    Raises:
        ValueError: plotly knows no such property, or refuses its value.
    """
    style = (_style(traces), _style(layout))
    spec = {"data": traces, "layout": {**layout, "template": _template()}}
    built = Chart(spec, _validate=style not in _validated)
    _validated.add(style)
    return built


def plain(value: object) -> object:
    """``default`` of :func:`json.dumps`: a chart as plotly.js takes it, an array as a list.

    Raises:
        TypeError: JSON has no form for the value.
    """
    if isinstance(value, Chart):
        return value.sent()
    if isinstance(value, np.ndarray):
        return (value.astype(str) if value.dtype.kind == "M" else value).tolist()
    raise TypeError(f"{type(value).__name__} cannot be sent as JSON")


def _style(value: object) -> object:
    """A figure without its numbers and words, hashable; how often a style stands in a list makes no difference."""
    if isinstance(value, Mapping):
        return frozenset((k, None if k in _FREE else _style(v)) for k, v in value.items())
    if isinstance(value, np.ndarray):
        return frozenset(value.tolist()) if value.dtype.kind == "U" else value.dtype.kind
    if isinstance(value, list | tuple):
        return frozenset(_style(one) for one in value)
    return value if isinstance(value, str) else type(value)


@cache
def _template() -> dict[str, Any]:
    axis = {
        "gridcolor": HAIRLINE,
        "showline": True,
        "linecolor": MUTED,
        "zeroline": False,
        "ticks": "outside",
        "ticklen": 4,
        "tickcolor": MUTED,
        "tickfont": {"size": 11, "color": MUTED},
        "title": {"font": {"size": 11, "color": MUTED}, "standoff": 4},
        "exponentformat": "none",
        "separatethousands": True,
    }
    side = {
        "min": 0,
        "ticks": "outside",
        "showline": True,
        "tickfont": {"size": 10, "color": MUTED},
        "gridcolor": HAIRLINE,
        "linecolor": INK,
        "tickvals": [20, 40, 60, 80],
        "title": {"font": {"size": 12}},
    }
    layout = {
        "font": {"family": FONT, "size": 12, "color": INK},
        "paper_bgcolor": PAPER,
        "plot_bgcolor": PAPER,
        "margin": {"l": 46, "r": 18, "t": 12, "b": 26},
        "showlegend": False,
        "hoverlabel": {"font": {"family": FONT, "size": 12}, "bgcolor": PAPER, "bordercolor": MUTED},
        "hovermode": "closest",
        "dragmode": "zoom",
        "xaxis": axis,
        "yaxis": {**axis, "automargin": True},
        "ternary": {"sum": 100, "bgcolor": PAPER, "aaxis": side, "baxis": side, "caxis": side},
    }
    found: dict[str, Any] = go.layout.Template(layout=layout).to_plotly_json()
    return found
