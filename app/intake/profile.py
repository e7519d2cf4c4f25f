"""What is known of a laboratory's files, as data: one YAML file a laboratory in ``profiles/``.

A profile is read strictly: an unknown key, a unit the quantity does not come in, or a quantity given twice is
an error that names the profile and the key, found when the profile is loaded and not when a file comes.
"""

import json
from collections.abc import Sequence
from datetime import time as time_of_day
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any, Final, Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import yaml
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from app.intake.numbers import NumberStyle
from app.intake.text import folded
from app.intake.units import UNITS, Conversion, conversion
from app.intake.validate import WITHOUT_LIMIT
from app.science.quantities import BY_NAME

FOLDER: Final = Path(__file__).parent / "profiles"


class ProfileError(Exception):
    """A profile does not exist or cannot be used; the text names it, the key and the reason."""


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


Header = Annotated[str, Field(min_length=1, max_length=200)]


class ReadingColumn(_Part):
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


class UnitColumn(_Part):
    """A column that says which unit was sampled. ``by``: what is written in it."""

    column: Header
    by: Literal["code", "serial", "name"]


class CompartmentColumn(_Part):
    """Which compartment was sampled: the laboratory's words for ours; ``default`` where nothing is written."""

    column: Header | None = None
    names: dict[str, str] = Field(default_factory=dict)
    default: str | None = None


def says_the_hour(form: str) -> bool:
    """Whether a ``strptime`` format reads a time of day."""
    return "%H" in form or "%I" in form


class SamplingTime(_Part):
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


class LongLayout(_Part):
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


class Profile(_Part):
    """One laboratory's files.

    Attributes:
        name: the profile's name, the same as its file's.
        description: whose files, and where this was learned from.
        file: ``text`` (CSV, by whatever mark it is separated) or ``workbook`` (xlsx).
        sheet: name of the workbook's sheet; None for the first that is visible.
        layout: ``wide``: one row a sample, one column a quantity; ``long``: one row a quantity.
        long: the columns of the long layout; its ``readings`` are then words of the quantity column.
        encoding: tried after UTF-8 and a UTF-16 byte order mark; ``utf-16-le`` where NULs say so.
        delimiters: the first with which the header row is found is the file's.
        header_within_rows: the header row is among the first so many rows that are not blank.
        decimal_mark, thousands_mark: see :class:`NumberStyle`.
        gas_volume_temperature: the temperature that gas volumes are reported at [°C].
        units_under_header: the row under the header gives the unit of each column, and must agree.
        not_measured, not_detected: what is written in place of a number, in any case.
        zero: what 0 means of a quantity that has a detection limit: the ``value``, or ``below_limit``.
        escaped_text: a text that a spreadsheet might take for a formula has an apostrophe before it.
        source: header of the column that names who measured, by source code; None for the laboratory itself.
        unit: the columns that say which unit, the surest first.
        readings: the columns with quantities.
        ignored: headers that are known and not wanted.
    """

    name: str = Field(pattern=r"^[a-z][a-z0-9_]{0,62}$")
    description: str
    file: Literal["text", "workbook"] = "text"
    sheet: str | None = None
    layout: Literal["wide", "long"]
    long: LongLayout | None = None
    encoding: Literal["cp1252", "iso8859-15", "utf-8", "utf-16-le"] = "utf-8"
    delimiters: tuple[Literal[";", ",", "\t", "|"], ...] = Field(default=(",",), min_length=1)
    header_within_rows: int = Field(default=1, ge=1, le=50)
    decimal_mark: Literal[".", ","]
    thousands_mark: Literal[".", ",", " ", "'"] | None = None
    gas_volume_temperature: Literal[0, 20, 25]
    units_under_header: bool = False
    not_measured: tuple[str, ...]
    not_detected: tuple[str, ...] = ()
    zero: Literal["value", "below_limit"] = "value"
    escaped_text: bool = False
    source: Header | None = None
    time: SamplingTime
    unit: tuple[UnitColumn, ...] = Field(min_length=1)
    compartment: CompartmentColumn
    laboratory_number: Header | None = None
    remark: Header | None = None
    readings: tuple[ReadingColumn, ...] = Field(min_length=1)
    ignored: tuple[Header, ...] = ()

    @model_validator(mode="after")
    def _says_nothing_twice(self) -> Self:
        if self.decimal_mark == self.thousands_mark:
            raise ValueError("decimal_mark and thousands_mark are the same")
        _once("column", [folded(header) for header in (*self.columns, *self.ignored)])
        if (self.layout == "long") != (self.long is not None):
            raise ValueError("layout 'long' and the key 'long' go together")
        if self.long is not None:
            words = (*(reading.column for reading in self.readings), *self.long.ignored)
            _once("quantity's name", [folded(word) for word in words])
            if self.units_under_header:
                raise ValueError("units_under_header is for the wide layout; give long.unit")
        _once("quantity", [reading.quantity for reading in self.readings])
        return self

    @property
    def columns(self) -> tuple[str, ...]:
        """The headers the profile reads."""
        others = (
            self.time.date,
            self.time.time,
            self.compartment.column,
            self.laboratory_number,
            self.remark,
            self.source,
        )
        return (
            *(unit.column for unit in self.unit),
            *(header for header in others if header is not None),
            *(self.long.columns if self.long else (reading.column for reading in self.readings)),
        )

    @property
    def optional_columns(self) -> frozenset[str]:
        if self.long is not None:
            return frozenset()
        return frozenset(reading.column for reading in self.readings if reading.optional)

    @property
    def required_columns(self) -> tuple[str, ...]:
        """The headers without which no row can be read: the date's, and one that says which unit."""
        return (self.time.date, self.unit[0].column)

    @property
    def number_style(self) -> NumberStyle:
        return NumberStyle(self.decimal_mark, self.thousands_mark)

    def conversion(self, reading: ReadingColumn) -> Conversion:
        """How to bring a column's numbers to the program's unit and reference."""
        return conversion(reading.quantity, reading.unit, self.gas_volume_temperature)


def _once(what: str, names: Sequence[str]) -> None:
    for name in names:
        if names.count(name) > 1:
            raise ValueError(f"the {what} {name!r} stands twice")


def profile_names(folder: Path = FOLDER) -> list[str]:
    """Names of all profiles."""
    return sorted(path.stem for path in folder.glob("*.yaml"))


@lru_cache(maxsize=64)
def load_profile(name: str, folder: Path = FOLDER) -> Profile:
    """A profile by its name.

    Raises:
        ProfileError: if there is none of that name, or it cannot be used.
    """
    known = profile_names(folder)
    if name not in known:
        raise ProfileError(f"there is no laboratory profile {name!r}; known are {', '.join(known) or 'none'}")
    path = folder / f"{name}.yaml"
    profile = parse_profile(path.read_text(encoding="utf-8"), path.name)
    if profile.name != name:
        raise ProfileError(f"{path.name}: name is {profile.name!r} but the file is called {name!r}")
    return profile


def parse_profile(text: str, called: str) -> Profile:
    """A profile from its text, YAML or JSON; ``called`` is what messages name.

    Raises:
        ProfileError: if it cannot be used, with every key that is wrong.
    """
    try:
        found: Any = yaml.safe_load(text)
        return Profile.model_validate_json(_as_json(found))
    except (yaml.YAMLError, RecursionError) as error:
        raise ProfileError(f"{called} is not valid YAML: {error}") from None
    except ValidationError as error:
        told = [f"{'.'.join(map(str, e['loc'])) or 'profile'}: {e['msg']}" for e in error.errors()]
        raise ProfileError(f"{called}: " + "; ".join(told)) from None


def _as_json(found: Any) -> str:
    """Through JSON, where a list may become a tuple although all else is strict."""
    return json.dumps(found, default=str)
