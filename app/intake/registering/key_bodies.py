"""Bodies about the keys and the maintenance of an instrument."""

from datetime import datetime
from typing import Annotated

from pydantic import AfterValidator, Field

from app.intake.iso_time import iso_time
from app.intake.registering.fields import FIRST_YEAR, LAST_YEAR, Between, Line
from app.intake.strict_json import Strict


def moment_of(text: str | None) -> datetime | None:
    """The UTC time of a :data:`Moment` that was checked."""
    return None if text is None else iso_time(text)


def _moment(text: str) -> str:
    if not FIRST_YEAR <= iso_time(text).year <= LAST_YEAR:
        raise ValueError(f"must be in the years {FIRST_YEAR} to {LAST_YEAR}")
    return text


Moment = Annotated[
    str,
    Field(max_length=40, json_schema_extra={"format": "date-time"}, examples=["2026-03-01T06:00:00Z"]),
    AfterValidator(_moment),
]
"""A time with an offset; :func:`moment_of` makes a datetime of it."""


class KeyBody(Strict):
    """A new key. All of it may be left out."""

    label: Line | None = Field(default=None, description="what people call it", examples=["gateway 2026"])
    expires_at: Moment | None = Field(default=None, description="when it ends; null: when it is revoked")
    overlap_hours: Annotated[float, Between(0, 8784, "hours")] | None = Field(
        default=None,
        description="rotation: the older good keys of the instrument end after so many hours; null: they stay",
    )


class SpellBody(Strict):
    """Maintenance of an instrument. Without ``begins_at`` it begins now; without ``ends_at`` somebody ends it."""

    author: Line
    note: Line
    begins_at: Moment | None = None
    ends_at: Moment | None = None
