"""What all figures share: fonts, margins, axes. A figure is a plain dictionary in plotly's JSON form."""

from typing import Any

from app.plots.palette import HAIRLINE, INK, MUTED, PAPER

FONT = "'Source Sans 3', 'Noto Sans', 'Segoe UI', 'Helvetica Neue', 'Liberation Sans', Arial, sans-serif"
"""The same as in app/web/static/ullage.css."""

CONFIG: dict[str, Any] = {
    "responsive": True,
    "displaylogo": False,
    "showSendToCloud": False,
    "plotlyServerURL": "",
    "scrollZoom": False,
    "modeBarButtonsToRemove": ["select2d", "lasso2d", "autoScale2d"],
    "toImageButtonOptions": {"format": "png", "scale": 2},
}
"""Nothing is sent anywhere: no cloud button, no server."""


def figure(data: list[dict[str, Any]], layout: dict[str, Any], **meta: Any) -> dict[str, Any]:
    """A figure with the shared base layout; ``layout`` wins. ``meta`` is for our own script."""
    base = {
        "font": {"family": FONT, "size": 12, "color": INK},
        "paper_bgcolor": PAPER,
        "plot_bgcolor": PAPER,
        "margin": {"l": 48, "r": 12, "t": 10, "b": 30},
        "showlegend": False,
        "hoverlabel": {"font": {"family": FONT, "size": 12}, "bgcolor": PAPER, "bordercolor": MUTED},
        "hovermode": "closest",
        "dragmode": "zoom",
    }
    return {"data": data, "layout": {**base, **layout}, "config": CONFIG, "meta": meta}


def axis(**more: Any) -> dict[str, Any]:
    """A quiet axis."""
    return {
        "gridcolor": HAIRLINE,
        "linecolor": MUTED,
        "zeroline": False,
        "ticks": "outside",
        "ticklen": 4,
        "tickcolor": MUTED,
        "tickfont": {"size": 11, "color": MUTED},
        **more,
    }
