"""The kinds of fields that registered things are made of: what each may hold, and what is said when it does not.

From a YAML file or a form every value comes as text; a body of the interface has numbers. The same field reads both.
"""

import difflib
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Annotated, Any, Final, cast
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, BeforeValidator, Field, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic import ValidationInfo as Info
from pydantic_core import CoreSchema, core_schema

from app.intake.numbers import shown

FIRST_YEAR, LAST_YEAR = 1900, 2100
CODE_PATTERN: Final = "^[A-Za-z0-9][A-Za-z0-9._-]{0,62}$"

_CODE: Final = re.compile(CODE_PATTERN.strip("^$"))
_NUMBER: Final = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,3})?")
_WHOLE: Final = re.compile(r"[+-]?[0-9]{1,18}")
_EMAIL: Final = re.compile(r"[^@\s,;<>\"\x00-\x1f]+@[^@\s,;<>\"\x00-\x1f]+")


class Door(StrEnum):
    """How a description comes in; the context of each validation."""

    FILE = "file"
    FORM = "form"
    BODY = "body"


@dataclass(frozen=True, slots=True)
class Between:
    """Bounds of a number, both allowed, and its unit for the message."""

    low: float
    high: float
    unit: str = ""

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        read = _whole if source is int else _number

        def check(given: Any, strict: core_schema.ValidatorFunctionWrapHandler, info: Info) -> float:
            is_text = isinstance(given, str) and info.context in {Door.FILE, Door.FORM}
            number: float = strict(read(given) if is_text else given)
            if not self.low <= number <= self.high:
                raise ValueError(f"{str(given)[:60]} is not between {self}")
            return number

        return core_schema.with_info_wrap_validator_function(check, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return {**handler(schema), "minimum": self.low, "maximum": self.high}

    def __str__(self) -> str:
        return f"{self.low:.10g} and {self.high:.10g} {self.unit}".strip()


@dataclass(frozen=True, slots=True)
class Entries:
    """How many entries a list in a body may have: whoever posts is bounded, whoever may load files is not."""

    least: int
    most: int

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        def check(given: Any, info: Info) -> Any:  # before the entries are: so many could be wrong
            if isinstance(given, list) and info.context is not Door.FILE:
                if len(given) < self.least:
                    raise ValueError("must not be empty; name at least one, or leave it out")
                if len(given) > self.most:
                    raise ValueError(f"has {len(given)} entries; at most {self.most} are allowed")
            return given

        entries = {**handler(source), "strict": False}  # a tuple is made of the list that JSON gives
        return core_schema.with_info_before_validator_function(check, cast(CoreSchema, entries))

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        least = {"minItems": self.least} if self.least else {}
        return {**handler(schema), **least, "maxItems": self.most}


@dataclass(frozen=True, slots=True)
class OneOf:
    """Names of which the text must be one; asked for at each check, since files may add some."""

    names: Callable[[], Iterable[str]]

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        def check(text: str) -> str:
            known = tuple(self.names())
            if text not in known:
                raise ValueError(not_one_of(text, known))
            return text

        return core_schema.no_info_after_validator_function(check, handler(source))


def told(given: object) -> str:
    """What came, for a message, as its writer knows it."""
    if isinstance(given, dict | list):
        return "an object" if isinstance(given, dict) else "a list"
    if given is None or isinstance(given, bool):
        return {None: "null", True: "true", False: "false"}[given]
    return shown(given) if isinstance(given, str) else str(given)[:60]


def not_one_of(given: object, known: Iterable[str]) -> str:
    """Why something is not taken where one of some words must stand."""
    names = [str(name) for name in known]
    return f"{told(given)} is not one of {', '.join(names)}{meant(given, names)}"


def meant(given: object, known: Iterable[str]) -> str:
    """The known name that somebody may have had in mind, as the end of a sentence; empty when none is near."""
    near = difflib.get_close_matches(given, list(known), n=1) if isinstance(given, str) else []
    return f"; did you mean {near[0]!r}?" if near else ""


def _number(text: str) -> float:
    if not _NUMBER.fullmatch(text):  # Python would take 1_000 and inf
        raise ValueError(f"{shown(text)} is not a number")
    return float(text)


def _whole(text: str) -> int:
    if not _WHOLE.fullmatch(text):
        raise ValueError(f"{shown(text)} is not a whole number")
    return int(text)


def _one_line(text: str) -> str:
    if not text.isprintable() or text != text.strip():
        raise ValueError("must be one line without control characters and without spaces at its ends")
    return text


def _code(text: str) -> str:
    if not _CODE.fullmatch(text):
        raise ValueError(
            f"{shown(text)} is not a code: letters, digits, '.', '_' and '-', at most 63, no space"
        )
    return text


def _time_zone(text: str) -> str:
    try:
        ZoneInfo(text)
    except (OSError, ValueError, ZoneInfoNotFoundError):  # a folder, a path, an unknown name
        raise ValueError(
            f"{shown(text)} is not a time zone; give a name of the IANA list, such as UTC or CET"
        ) from None
    return text


def _email(text: str) -> str:
    if not _EMAIL.fullmatch(text) or len(text) > 254 or not text.isprintable():
        raise ValueError(f"{shown(text)} is not a mail address like name@example.org")
    return text


def moment(text: object) -> datetime:
    """The UTC time of an ISO 8601 text with a zone. Raises ValueError for anything else."""
    try:
        at = datetime.fromisoformat(text) if isinstance(text, str) else None
        at = at if at is None or at.tzinfo is None else at.astimezone(UTC)
    except (ValueError, OverflowError):  # the year 1 has no earlier one for an offset to reach into
        at = None
    if at is None:
        raise ValueError(f"{shown(text)} is not a time like 2024-05-03T10:00:00Z")
    if at.tzinfo is None:
        raise ValueError(f"{shown(text)} has no time zone; add Z or an offset like +02:00")
    return at


Line = Annotated[str, Field(min_length=1, max_length=500), AfterValidator(_one_line)]
Note = Annotated[str, Field(max_length=500), AfterValidator(_one_line)]
"""A line that may be empty."""
Code = Annotated[str, AfterValidator(_code), Field(json_schema_extra={"pattern": CODE_PATTERN})]
Zone = Annotated[str, AfterValidator(_time_zone), Field(json_schema_extra={"maxLength": 100})]
Email = Annotated[str, AfterValidator(_email)]
At = Annotated[datetime, BeforeValidator(moment)]
Year = Annotated[int, Between(FIRST_YEAR, LAST_YEAR)]
Volume = Annotated[float, Between(1, 1_000_000, "L")]
Gas = Annotated[float, Between(0, 1_000_000, "µL/L")]
