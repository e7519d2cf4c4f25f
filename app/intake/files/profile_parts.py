"""The parts of a laboratory's profile: columns, layouts and times, each read strictly.

A key that is not known, or a unit that a quantity does not come in, is an error when the profile is loaded.
"""

from datetime import time as time_of_day
from typing import Annotated, Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from app.intake.units import UNITS
from app.intake.validate import WITHOUT_LIMIT
from app.science.quantities import BY_NAME


class Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


Header = Annotated[str, Field(min_length=1, max_length=200)]


class ReadingColumn(Part):
    """A column that holds one quantity.

    Attributes:
        column: its header.
        quantity: a name of :mod:`app.science.quantities`.
        unit: the unit the laboratory reports in; see :data:`app.intake.units.UNITS`.
        detection_limit: the limit that "not detected" stands for, in that unit; None when it is not known.
        optional: a file without the column is still one of this laboratory's.
    """

    column: Header
    quantity: str
    unit: str
    detection_limit: float | None = Field(default=None, gt=0, allow_inf_nan=False)
    optional: bool = False

    @model_validator(mode="after")
    def _comes_in_that_unit(self) -> Self:
        if self.quantity not in BY_NAME:
            raise ValueError(f"{self.quantity!r} is not a quantity; known are {', '.join(BY_NAME)}")
        if self.unit not in UNITS[self.quantity]:
            known = ", ".join(UNITS[self.quantity])
            raise ValueError(f"{self.quantity} does not come in {self.unit!r}; known are {known}")
        if self.detection_limit is not None and self.quantity in WITHOUT_LIMIT:
            raise ValueError(f"{self.quantity} has no detection limit")
        return self


class UnitColumn(Part):
    """A column that says which unit was sampled. ``by``: what is written in it."""

    column: Header
    by: Literal["code", "serial", "name"]


class CompartmentColumn(Part):
    """Which compartment was sampled: the laboratory's words for ours; ``default`` where nothing is written."""

    column: Header | None = None
    names: dict[str, str] = Field(default_factory=dict)
    default: str | None = None


def says_the_hour(form: str) -> bool:
    """Whether a ``strptime`` format reads a time of day."""
    return "%H" in form or "%I" in form


class SamplingTime(Part):
    """When the sample was taken, in local time.

    Attributes:
        date: header of the date's column.
        time: header of the time's column; None when the date's column holds both or there is none.
        formats: ``strptime`` formats of the date, or of date, a space, and time.
        assumed_time: ``HH:MM`` where only a date is written; None refuses such rows.
        zone: ``site`` for the time zone of the unit's site, a name of the IANA list, or ``offset`` when each
            time is written with its own UTC offset (``%z`` in the formats).
        repeated_hour: what a time in the hour that comes twice in autumn means.
    """

    date: Header
    time: Header | None = None
    formats: tuple[str, ...] = Field(min_length=1)
    assumed_time: str | None = Field(default=None, pattern=r"^([01]\d|2[0-3]):[0-5]\d$")
    zone: str
    repeated_hour: Literal["refuse", "first", "second"] = "refuse"

    @field_validator("formats")
    @classmethod
    def _say_the_century(cls, formats: tuple[str, ...]) -> tuple[str, ...]:
        for form in formats:
            if "%Y" not in form or "%d" not in form:
                raise ValueError(f"{form!r} must hold %d and the year with its century, %Y")
        return formats

    @field_validator("zone")
    @classmethod
    def _known(cls, zone: str) -> str:
        if zone not in ("site", "offset"):
            try:
                ZoneInfo(zone)
            except (ZoneInfoNotFoundError, ValueError, OSError):
                raise ValueError(
                    f"{zone!r} is neither 'site' nor 'offset' nor a time zone of the IANA list"
                ) from None
        return zone

    @model_validator(mode="after")
    def _says_all_of_the_time(self) -> Self:
        if self.assumed_time is None and not all(says_the_hour(form) for form in self.formats):
            raise ValueError("a format without %H or %I needs assumed_time, the hour that is then meant")
        if any(("%z" in form) != (self.zone == "offset") for form in self.formats):
            raise ValueError("zone 'offset' and %z in every one of the formats go together")
        return self

    @property
    def assumed(self) -> time_of_day | None:
        return None if self.assumed_time is None else time_of_day.fromisoformat(self.assumed_time)


class LongLayout(Part):
    """Where a file of one row a quantity keeps what the header of a wide one says.

    Attributes:
        quantity: header of the column that names the quantity, in the words of the profile's ``readings``.
        value: header of the column with the number.
        unit: header of the column with the unit; where it is filled it goes before the profile's.
        sign: header of the column where ``<`` stands when it has one of its own.
        limit: header of the column with the detection limit, in the row's unit.
        ignored: quantities that are known and not wanted.
    """

    quantity: Header
    value: Header
    unit: Header | None = None
    sign: Header | None = None
    limit: Header | None = None
    ignored: tuple[str, ...] = ()

    @property
    def columns(self) -> tuple[str, ...]:
        others = (self.unit, self.sign, self.limit)
        return (self.quantity, self.value, *(header for header in others if header is not None))
