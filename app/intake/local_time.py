"""Local times as people write them, to UTC, without guessing what a clock change did."""

from datetime import UTC, datetime
from typing import Literal
from zoneinfo import ZoneInfo

from app.intake.validate import ImpossibleError


def to_utc(local: datetime, zone: str, repeated_hour: Literal["refuse", "first", "second"]) -> datetime:
    """UTC of a naive local time.

    Args:
        local: the time as written.
        zone: a name of the IANA list.
        repeated_hour: which of the two is meant in the hour that comes twice when summer time ends.

    Raises:
        ImpossibleError: if the clock jumped over that time, or it came twice and ``repeated_hour`` refuses.
    """
    where = ZoneInfo(zone)
    written = f"{local:%Y-%m-%d %H:%M} in {zone}"
    try:
        first, second = (local.replace(tzinfo=where, fold=fold).astimezone(UTC) for fold in (0, 1))
    except OverflowError:
        raise ImpossibleError(f"the year {local.year} is out of range") from None
    if first == second:
        return first
    if first > second:  # of a time that never was, the earlier offset gives the later instant
        raise ImpossibleError(f"{written} never was: the clock was put forward over it; check the time")
    if repeated_hour == "refuse":
        raise ImpossibleError(
            f"{written} came twice, at {first:%H:%M} and {second:%H:%M} UTC, as the clock was put back;"
            " write a time outside that hour, or let the laboratory's profile say which is meant"
        )
    return first if repeated_hour == "first" else second
