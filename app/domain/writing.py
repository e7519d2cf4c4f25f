"""Numbers, times and lengths of time as every page, mail and command writes them."""

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
