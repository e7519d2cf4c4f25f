"""Times that programs send: ISO 8601 with an offset, and nothing else."""

import re
from datetime import UTC, datetime
from typing import Final

from app.intake.numbers import shown
from app.intake.validate import ImpossibleError

TIME_FORM: Final = 'give an ISO 8601 date and time with Z or a UTC offset, e.g. "2026-03-01T06:00:00Z"'

_ISO: Final = re.compile(
    r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d(:\d\d([.,]\d+)?)?([Zz]|[+-]\d\d(:?\d\d)?)?", re.ASCII
)


def iso_time(text: str) -> datetime:
    """The time in UTC.

    Raises:
        ImpossibleError: if it is written otherwise, cannot be, or has no offset.
    """
    if not _ISO.fullmatch(text):
        raise ImpossibleError(f"{shown(text)} is not an ISO 8601 date and time; {TIME_FORM}")
    try:
        at = datetime.fromisoformat(text.upper())
    except ValueError as error:
        raise ImpossibleError(f"{shown(text)} is not a possible time ({error}); {TIME_FORM}") from None
    if at.tzinfo is None:
        raise ImpossibleError(
            f"{shown(text)} has no UTC offset; write it in UTC with a Z at the end, or with one"
        )
    try:
        return at.astimezone(UTC)
    except OverflowError:
        raise ImpossibleError(f"the year {at.year} is out of range") from None
