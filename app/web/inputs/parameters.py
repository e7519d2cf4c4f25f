"""What addresses and forms may hold: ids that fit their column, times that exist in UTC, text that databases take.

Anything else is refused at the door with the reason: PostgreSQL takes neither NUL nor half a character, no
database an id of twenty digits, and a time near the end of the calendar may have no form in UTC.
"""

import re
from datetime import UTC, datetime
from typing import Annotated, Final

from fastapi import Path
from pydantic import AfterValidator
from pydantic_core import PydanticCustomError

LARGEST_ID: Final = 2**63 - 1
RowId = Annotated[int, Path(ge=1, le=LARGEST_ID)]
"""An id in an address."""

_NO_TEXT: Final = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff]")


def text_fault(text: str) -> str | None:
    """Why a text cannot be kept, as a reason to show; None when it can. Tabs and line ends are text."""
    found = _NO_TEXT.search(text)
    if found is None:
        return None
    code = ord(found[0])
    what = "half a character" if code >= 0xD800 else "a control character"
    return f"holds {what} (U+{code:04X}), which is no text; take it out"


def _printable(text: str) -> str:
    fault = text_fault(text)
    if fault:
        raise PydanticCustomError("unprintable", "{fault}", {"fault": fault})
    return text


def _in_utc(at: datetime) -> datetime:
    if at.tzinfo is None:
        raise PydanticCustomError("no_zone", "give the time with its zone, e.g. 2026-11-25T08:00:00Z")
    try:
        return at.astimezone(UTC)
    except OverflowError:
        message = "the year {year} is out of range"
        raise PydanticCustomError("no_such_time", message, {"year": at.year}) from None


PrintableText = Annotated[str, AfterValidator(_printable)]
"""Text of an address."""
UtcTime = Annotated[datetime, AfterValidator(_in_utc)]
"""A time of an address, given with its zone, in UTC."""
