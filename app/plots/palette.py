"""One colour and one marker per gas, everywhere: charts, tables, legends.

Colours are the eight of Okabe and Ito (2008), chosen to be told apart with any kind of colour vision;
"dark" variants (same hue) are for text and thin lines on white.
"""

from dataclasses import dataclass
from typing import Final

INK: Final = "#1d2733"
MUTED: Final = "#5b6776"
HAIRLINE: Final = "#d8dee6"
PAPER: Final = "#ffffff"

BLACK: Final = "#000000"
ORANGE: Final = "#e69f00"
SKY: Final = "#56b4e9"
GREEN: Final = "#009e73"
BLUE: Final = "#0072b2"
VERMILION: Final = "#d55e00"
PURPLE: Final = "#cc79a7"


@dataclass(frozen=True, slots=True)
class Mark:
    """How one quantity is drawn. ``symbol`` is a plotly marker that has an ``-open`` variant."""

    color: str
    symbol: str


MARKS: Final = {
    "h2": Mark(BLUE, "circle"),
    "ch4": Mark(GREEN, "square"),
    "c2h6": Mark(SKY, "diamond"),
    "c2h4": Mark(ORANGE, "triangle-up"),
    "c2h2": Mark(VERMILION, "star"),
    "co": Mark(PURPLE, "triangle-down"),
    "co2": Mark(BLACK, "hexagon"),
    "o2": Mark("#7a8794", "pentagon"),
    "n2": Mark("#4a5663", "cross"),
    "c3h6": Mark("#8a6d00", "triangle-left"),
    "c3h8": Mark("#6b5aa8", "triangle-right"),
    "water": Mark("#0072b2", "hourglass"),
    "relative_saturation": Mark("#0072b2", "hourglass"),
}
DEFAULT: Final = Mark(INK, "circle")

ZONE_FILLS: Final = {
    "PD": "#f6f2c4",
    "S": "#eceff3",
    "T1": "#fdf0d2",
    "T2": "#f8dca4",
    "T3": "#f0c277",
    "DT": "#ead9e4",
    "D1": "#cfe7f7",
    "D2": "#a9cfea",
}
"""Pale tints by kind of fault: thermal oranges, electrical blues, mixed purple, stray grey."""

SVG_PATHS: Final = {
    "circle": "M8 3a5 5 0 1 0 .01 0z",
    "square": "M3 3h10v10H3z",
    "diamond": "M8 1.5 14.5 8 8 14.5 1.5 8z",
    "triangle-up": "M8 2 14.5 13.5h-13z",
    "triangle-down": "M8 14 14.5 2.5h-13z",
    "star": "M8 1l1.9 4.7 5.1.3-3.9 3.2 1.3 5L8 11.4l-4.4 2.8 1.3-5L1 6l5.1-.3z",
    "hexagon": "M8 1.5l5.6 3.2v6.6L8 14.5l-5.6-3.2V4.7z",
    "pentagon": "M8 1.5l6.3 4.6-2.4 7.4H4.1L1.7 6.1z",
    "cross": "M6 2h4v4h4v4h-4v4H6v-4H2V6h4z",
    "triangle-left": "M2 8 13.5 1.5v13z",
    "triangle-right": "M14 8 2.5 1.5v13z",
    "hourglass": "M3 2h10L3 14h10z",
}
"""The markers as SVG paths in a 16 by 16 box, for tables and captions."""


def mark(quantity: str) -> Mark:
    """The colour and marker of a quantity."""
    return MARKS.get(quantity, DEFAULT)


def marker_svg(quantity: str) -> str:
    """The marker as a small inline SVG for tables and legends; decoration, hidden from screen readers."""
    found = mark(quantity)
    return (
        f'<svg class="mark" viewBox="0 0 16 16" aria-hidden="true" focusable="false" fill="{found.color}">'
        f'<path d="{SVG_PATHS[found.symbol]}"/></svg>'
    )
