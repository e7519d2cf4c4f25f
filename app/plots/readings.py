"""Readings as traces: their places, and what the pointer says of one."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any, Final, Protocol
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from app.plots.palette import INK, mark
from app.science.quantities import BY_NAME

FOUR_FIGURES: Final = ",.4~r"
"""Plotly's format of a value that the pointer shows: ``52,800``, ``0.5``."""
TO_THE_MINUTE: Final = "%Y-%m-%d %H:%M"


class HasReading(Protocol):
    """A value at a time; ``below`` marks a detection limit."""

    @property
    def at(self) -> datetime: ...
    @property
    def value(self) -> float: ...
    @property
    def below(self) -> bool: ...


@dataclass(frozen=True, slots=True)
class TrendPoint:
    """One reading; ``below`` marks a detection limit, drawn as an open marker at the limit."""

    at: datetime
    value: float
    below: bool = False


@dataclass(frozen=True, slots=True)
class Hover:
    """What the pointer says of a reading beside its value: who measured, the time's form, something more."""

    source: str
    time_format: str = TO_THE_MINUTE
    more: str = ""


def placed(quantity: str, points: Sequence[HasReading], zone: ZoneInfo, hover: Hover) -> dict[str, Any]:
    """``x``, ``y`` and hover of a trace through ``points``, in the local time of ``zone``."""
    known = BY_NAME[quantity]
    below = any(point.below for point in points)
    value = f"{known.symbol} {'%{text}' if below else ''}%{{y:{FOUR_FIGURES}}} {known.unit}"
    when = f"%{{x|{hover.time_format}}}<extra>{hover.source}</extra>"
    trace: dict[str, Any] = {
        "type": "scatter",
        "x": local_times(tuple(point.at for point in points), zone),
        "y": np.array([point.value for point in points]),
        "hovertemplate": f"{value}{hover.more}<br>{when}",
    }
    if below:
        trace["text"] = ["< " if point.below else "" for point in points]
    return trace


def markers(quantity: str, points: Sequence[HasReading], size: int) -> Mapping[str, Any]:
    """The quantity's own marker at each point, open where it stands for a detection limit."""
    style = mark(quantity)
    return {
        "symbol": [style.symbol + ("-open" if point.below else "") for point in points],
        "size": size,
        "color": style.color,
        "line": {"width": [1.5 if point.below else 0.8 for point in points], "color": INK},
    }


@lru_cache(maxsize=32)
def local_times(times: tuple[datetime, ...], zone: ZoneInfo) -> NDArray[np.datetime64]:
    """What clocks in ``zone`` showed, to the second. Plotly draws times without their zone.

    Remembered, since the quantities of a sample share their times.
    """
    shown = np.array([at.astimezone(zone).replace(tzinfo=None) for at in times], dtype="datetime64[s]")
    shown.flags.writeable = False
    return shown


def local_time(at: datetime, zone: ZoneInfo) -> str:
    """One time as :func:`local_times` has it, as text."""
    return at.astimezone(zone).replace(tzinfo=None).isoformat(timespec="seconds")


def window_range(window: tuple[datetime, datetime], zone: ZoneInfo) -> list[str]:
    """The range of a time axis: the window and some room on both sides, so that no marker is cut."""
    room = (window[1] - window[0]) * 0.03
    return [local_time(window[0] - room, zone), local_time(window[1] + room, zone)]
