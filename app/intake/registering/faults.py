"""What is wrong with a description, in plain words: where it stands, what is wrong, and how to mend it."""

from collections.abc import Callable
from dataclasses import dataclass
from types import NoneType, UnionType
from typing import Annotated, Any, Final, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from app.intake.numbers import shown
from app.intake.registering.fields import Door, meant, not_one_of, told
from app.intake.registering.things import keys_of
from app.intake.strict_json import key_name

Place = tuple[int | str, ...]
"""Keys and positions from the whole down to what is meant."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong.

    Attributes:
        place: where, e.g. ``("assets", 0, "compartments", 1, "name")``.
        reason: what is wrong and how to mend it, to be read after the field's name.
        of_key: it is the key itself that is wrong, not what stands under it.
        line: the line of a file, where the place alone does not lead to it.
    """

    place: Place
    reason: str
    of_key: bool = False
    line: int | None = None

    def field(self, whole: str) -> str:
        """``assets[0].compartments[1].name``, or ``whole`` when it is about all of it."""
        text = "".join(f"[{p}]" if isinstance(p, int) else f".{key_name(p)}" for p in self.place)
        return text.lstrip(".") or whole


def faults_of(error: ValidationError, model: type[BaseModel], door: Door) -> list[Fault]:
    """Everything that a model found wrong."""
    return [
        Fault(found["loc"], _reason(found, model, door), found["type"] == "extra_forbidden")
        for found in error.errors(include_url=False)
    ]


def _reason(found: ErrorDetails, model: type[BaseModel], door: Door) -> str:
    given = found["input"]
    match found["type"]:
        case "value_error":
            return str(found["ctx"]["error"])
        case "missing":
            return "is missing"
        case "extra_forbidden":
            return _unknown_key(str(found["loc"][-1]), _kind_at(model, found["loc"][:-1]))
        case "model_type":
            keys = ", ".join(keys_of(_kind_at(model, found["loc"])))
            return f"must be {_MAPPING[door]} with the keys {keys}"
        case "tuple_type":
            return f"must be {_LIST[door]}"
        case "enum":
            return not_one_of(given, _kind_at(model, found["loc"]))
        case kind if kind in _REASONS:
            return _REASONS[kind](given)
    return found["msg"]


_MAPPING: Final = {Door.FILE: "a mapping", Door.FORM: "a mapping", Door.BODY: "an object"}
_LIST: Final = {
    Door.FILE: "a list, each entry beginning with '- '",
    Door.FORM: "a list",
    Door.BODY: "a list",
}


def _no_text(given: Any) -> str:
    if isinstance(given, dict | list):
        return "must be a single value"
    return f"{told(given)} is not a text{'' if given is None else '; write it in quotes'}"


def _no_number(what: str) -> Callable[[Any], str]:
    def reason(given: Any) -> str:
        quoted = isinstance(given, str) and given.replace(".", "", 1).isdecimal()
        return f"{told(given)} is not {what}{'; write it without quotes' if quoted else ''}"

    return reason


_REASONS: Final[dict[str, Callable[[Any], str]]] = {
    "string_type": _no_text,
    "string_unicode": lambda given: f"{shown(given)} holds half a character, which is no text; take it out",
    "string_too_short": lambda _: "is empty; give a text",
    "string_too_long": lambda given: f"must be one line of at most 500 characters; this has {len(given)}",
    "int_type": _no_number("a whole number"),
    "float_type": _no_number("a number"),
}


def _unknown_key(name: str, model: Any) -> str:
    known = keys_of(model)
    return f"is not a known key{meant(name, known) or '; known are ' + ', '.join(known)}"


def _kind_at(model: type[BaseModel], place: Place) -> Any:
    """The model or enum of what stands at a place of a model."""
    kind: Any = model
    for part in place:
        if isinstance(part, int):
            kind = _plain(get_args(kind)[0])
        else:
            fields = kind.model_fields
            kind = _plain(next(f.annotation for name, f in fields.items() if (f.alias or name) == part))
    return kind


def _plain(kind: Any) -> Any:
    """A type without what it is annotated with and without None."""
    while get_origin(kind) in {Annotated, Union, UnionType}:
        kind = next(part for part in get_args(kind) if part is not NoneType)
    return kind
