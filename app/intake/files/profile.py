"""What is known of a laboratory's files, as data: one YAML file a laboratory in ``profiles/``.

A profile is read strictly: an unknown key, a unit the quantity does not come in, or a quantity given twice is
an error that names the profile and the key, found when the profile is loaded and not when a file comes.
"""

import json
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, Final, Literal, Self

import yaml
from pydantic import Field, ValidationError, model_validator

from app.errors import GivenError
from app.intake.files.profile_parts import (
    CompartmentColumn,
    Header,
    LongLayout,
    Part,
    ReadingColumn,
    SamplingTime,
    UnitColumn,
    says_the_hour,
)
from app.intake.numbers import NumberStyle
from app.intake.text import folded
from app.intake.units import Conversion, conversion

__all__ = [
    "FOLDER",
    "CompartmentColumn",
    "LongLayout",
    "Profile",
    "ProfileError",
    "ReadingColumn",
    "SamplingTime",
    "UnitColumn",
    "load_profile",
    "parse_profile",
    "profile_names",
    "says_the_hour",
]

FOLDER: Final = Path(__file__).parent / "profiles"


class ProfileError(GivenError):
    """A profile does not exist or cannot be used; the text names it, the key and the reason."""


class Profile(Part):
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
