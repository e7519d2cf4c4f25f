"""Numbers, times and lengths of time as every page, mail and command writes them."""

import math
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo


def written(value: float, digits: int = 3) -> str:
    """A number to so many significant digits as people write it: 2600, not 2.6e+03; 0.00004, not 4e-05."""
    text = f"{value:.{digits}g}"
    if abs(float(text)) >= 10.0**digits:
        return f"{value:.0f}"
    return f"{value:.6f}".rstrip("0").rstrip(".") if "e" in text else text


def chance(share: float) -> str:
    """A probability as people can bear it: 0.84 is ``84 %``. Some hundred draws never make a certainty, so the ends are
    ``over 99 %`` and ``under 1 %``."""
    if share >= 0.995:
        return "over 99 %"
    return "under 1 %" if share < 0.005 else f"{100.0 * share:.0f} %"


def signed(value: float, digits: int = 3) -> str:
    """Like :func:`written`, with a plus sign on gains."""
    return f"{'+' if value >= 0 else ''}{written(value, digits)}"


def interval(low: float, high: float, between: str = "to") -> str:
    """Both ends as fine as two digits of the larger one are: ``-0.01`` beside 14 is ``0 to 14``."""
    largest = max(abs(low), abs(high))
    places = 1 - math.floor(math.log10(largest)) if largest > 0 else 0
    ends = (round(end, places) + 0.0 for end in (low, high))  # the sum makes 0 of -0
    return f" {between} ".join(f"{end:.{max(places, 0)}f}" if end else "0" for end in ends)


def local_time(at: datetime, zone: ZoneInfo) -> str:
    """A time in the zone of the site, with the zone's name."""
    local = at.astimezone(zone)
    return f"{local:%Y-%m-%d %H:%M} {local.tzname()}"


def duration(span: timedelta) -> str:
    """``45 min``, ``13 h 5 min``, ``3 days 4 h``."""
    minutes = max(int(span.total_seconds() // 60), 0)
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return f"{minutes // 60} h {minutes % 60} min".removesuffix(" 0 min")
    return f"{minutes // 1440} days {minutes % 1440 // 60} h".removesuffix(" 0 h")


def time_ahead(early: float, late: float) -> str:
    """From so many days to so many, no finer than they bear: ``in 4 to 7 months``, ``within 3 weeks``."""
    name, days = _unit_of(late)
    first, last = math.floor(early / days), math.ceil(late / days)
    if first == 0:
        return f"within {_counted(max(last, 1), name)}"
    return f"in about {_counted(last, name)}" if first == last else f"in {first} to {_counted(last, name)}"


def length_of(days: float) -> str:
    """So many days, rounded down: ``6 weeks``, ``14 months``."""
    name, unit = _unit_of(days)
    return _counted(math.floor(days / unit), name)


def _unit_of(days: float) -> tuple[str, float]:
    for name, length, most in (("day", 1.0, 21.0), ("week", 7.0, 91.0), ("month", 365.25 / 12.0, 731.0)):
        if days < most:
            return name, length
    return "year", 365.25


def _counted(number: int, name: str) -> str:
    return f"{number} {name}" if number == 1 else f"{number} {name}s"
