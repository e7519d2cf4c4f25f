"""Samples that an instrument posts as JSON.

The whole body is parsed in one pass by pydantic. Only when that fails is each sample looked at by itself, so
that one bad sample is refused with its field and reason and the good ones beside it are kept.

Errors: ``BadPayload`` when the body as a whole cannot be taken; a sample that cannot be taken is a
:class:`~app.domain.model.Rejection` in its place.
"""

from collections.abc import Iterable
from datetime import datetime
from difflib import get_close_matches
from typing import Annotated, Any, Final

from pydantic import BaseModel, Field, ValidationError, create_model
from pydantic_core import ErrorDetails

from app.domain.model import Reading, Rejection, Sample, Source
from app.intake.iso_time import TIME_FORM, iso_time
from app.intake.numbers import NotANumberError, NumberStyle, parse_number, shown
from app.intake.strict_json import BadPayload, Strict, inlined, key_name, refuse_repeated_keys
from app.intake.validate import EARLIEST_ONLINE, ImpossibleError, check_reading, check_time
from app.science.quantities import BY_NAME, NAMES, QUANTITIES, Quantity

MAX_SAMPLES: Final = 5000
EXAMPLE: Final = {
    "samples": [
        {
            "taken_at": "2026-03-01T06:00:00Z",
            "compartment": "main",
            "h2": 41.2,
            "ch4": 12.5,
            "c2h2": "<0.5",
            "water": 8.1,
            "oil_temperature": 51.0,
        }
    ]
}
OTHER_NAMES: Final = {q.label: q.name for q in QUANTITIES} | {
    "h2ppm": "h2",
    "n2ppm": "n2",
    "coppm": "co",
    "co2ppm": "co2",
    "ch4ppm": "ch4",
    "c2h2ppm": "c2h2",
    "c2h4ppm": "c2h4",
    "c2h6ppm": "c2h6",
    "o2ppm": "o2",
    "h2o": "water",
    "tmp": "oil_temperature",
}
"""Suggested, not taken: full names, and what IEC 61850-7-4 (node SIML) calls them (C2H6ppm and O2ppm are
confirmed, the rest from memory)."""

__all__ = ["EXAMPLE", "MAX_SAMPLES", "BadPayload", "batch_schema", "parse_samples"]

_POINT: Final = NumberStyle(decimal_mark=".")


class Below(Strict):
    """Not detected: the quantity is below this limit, in its unit."""

    below: float = Field(allow_inf_nan=False, gt=0)


Number = Annotated[float, Field(allow_inf_nan=False)]
LimitText = Annotated[str, Field(pattern=r"^<\s*\d+(\.\d+)?([eE][+-]?\d{1,3})?$", max_length=40)]


def _field(quantity: Quantity) -> Any:
    text = f"{quantity.label} [{quantity.unit}]; a number"
    text += ', or below a detection limit as "<0.5" or {"below": 0.5}; null or absent: not measured'
    bounds: dict[str, Any] = {"minimum": quantity.minimum, "maximum": quantity.maximum}
    return (
        Number | LimitText | Below | None,
        Field(default=None, description=text, json_schema_extra=bounds),
    )


_fields: dict[str, Any] = {q.name: _field(q) for q in QUANTITIES}
SamplePayload: type[BaseModel] = create_model(
    "SamplePayload",
    __base__=Strict,
    __doc__="One sample: when it was taken, of which compartment, and at least one quantity.",
    taken_at=(
        str,
        Field(
            max_length=40,
            description="ISO 8601 date and time with a UTC offset or Z",
            json_schema_extra={"format": "date-time"},
        ),
    ),
    compartment=(
        str | None,
        Field(
            default=None,
            max_length=200,
            description="name of the compartment; needed only when the instrument serves several",
        ),
    ),
    **_fields,
)


class Batch(Strict):
    """Samples of one instrument, in any order; sending one again does no harm."""

    samples: list[SamplePayload] = Field(min_length=1, max_length=MAX_SAMPLES)  # type: ignore[valid-type]


class _Envelope(Strict):
    samples: list[Any] = Field(min_length=1, max_length=MAX_SAMPLES)


_SAMPLE_KEYS: Final = ("taken_at", "compartment", *NAMES)


def parse_samples(body: bytes, source: Source, now: datetime) -> list[Sample | Rejection]:
    """What a posted body says, sample by sample in its order.

    Args:
        body: UTF-8 JSON, ``{"samples": [...]}``; see :data:`EXAMPLE`.
        source: the instrument whose key came with it.
        now: the server's time; a sample more than an hour ahead of it is refused.

    Raises:
        BadPayload: the body cannot be read, is empty, holds unknown or repeated keys, or too many samples.
    """
    try:
        parsed: Iterable[BaseModel | Rejection] = Batch.model_validate_json(body).samples
    except ValidationError:
        parsed = _one_by_one(body)
    refuse_repeated_keys(body)
    return [
        item if isinstance(item, Rejection) else _sample(item.__dict__, i, source, now)
        for i, item in enumerate(parsed)
    ]


def _one_by_one(body: bytes) -> list[BaseModel | Rejection]:
    try:
        items = _Envelope.model_validate_json(body).samples
    except ValidationError as error:
        raise _bad_payload(error.errors(include_url=False, include_context=True)[0]) from None
    checked: list[BaseModel | Rejection] = []
    for i, item in enumerate(items):
        try:
            checked.append(SamplePayload.model_validate(item))
        except ValidationError as error:
            checked.append(_rejection(error.errors(include_url=False)[0], i))
    return checked


def _bad_payload(error: ErrorDetails) -> BadPayload:
    kind, loc = error["type"], error["loc"]
    if kind == "json_invalid":
        why = error.get("ctx", {}).get("error", "")
        return BadPayload("body", f"not valid JSON in UTF-8: {why}", "not_json")
    if not loc:
        return BadPayload("body", 'must be an object {"samples": [...]}')
    if kind == "extra_forbidden":
        return BadPayload(key_name(loc[0]), f"unknown key {shown(loc[0])}; the body has one key, 'samples'")
    if kind == "missing":
        return BadPayload("samples", "is missing; give a list of samples")
    if kind == "too_short":
        return BadPayload("samples", "is empty; give at least one sample")
    if kind == "too_long":
        return BadPayload(
            "samples", f"more than {MAX_SAMPLES} samples; send them in several posts", "too_many"
        )
    return BadPayload("samples", "must be a list of samples")


def _rejection(error: ErrorDetails, i: int) -> Rejection:
    loc, kind = error["loc"], error["type"]
    where = f"samples[{i}]"
    if not loc:
        return Rejection(where, "must be an object with 'taken_at' and at least one quantity", index=i)
    name = str(loc[0])
    field = f"{where}.{key_name(name)}"
    if kind == "extra_forbidden" and len(loc) == 1:
        return Rejection(field, _unknown(name), index=i)
    if name == "taken_at":
        if kind == "missing":
            return Rejection(field, f"is missing; {TIME_FORM}", index=i)
        return Rejection(field, f"must be a text; {TIME_FORM}", index=i)
    if name == "compartment":
        return Rejection(field, "must be the name of a compartment, a text", index=i)
    return Rejection(field, f"{_described(error['input'])} is not a reading; {_number_form(name)}", index=i)


def _number_form(name: str) -> str:
    unit = BY_NAME[name].unit
    return (
        f'give a finite number in {unit} without quotation marks, or "<0.5" when below a limit of 0.5 {unit}'
    )


def _described(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f"the text {shown(value)}"
    if isinstance(value, (dict, list)):
        return "an object" if isinstance(value, dict) else "a list"
    return shown(value)


def _unknown(name: str) -> str:
    if name == "readings":
        return f"unknown key {shown(name)}; put each quantity beside 'taken_at', e.g. \"h2\": 41.2"
    lowered = name[:60].lower()
    meant = OTHER_NAMES.get(lowered)
    near = [meant] if meant else get_close_matches(lowered, _SAMPLE_KEYS, 1)
    hint = f"did you mean '{near[0]}'?" if near else f"known are {', '.join(_SAMPLE_KEYS)}"
    return f"unknown key {shown(name)}; {hint}"


def _sample(given: dict[str, Any], i: int, source: Source, now: datetime) -> Sample | Rejection:
    name = "taken_at"
    try:
        at = check_time(iso_time(given["taken_at"]), now, EARLIEST_ONLINE)
        name = "compartment"
        compartment = _compartment(given["compartment"], source)
        readings = {}
        for name in NAMES:
            if (value := given[name]) is not None:
                readings[name] = _reading(name, value)
    except ImpossibleError as error:
        return Rejection(f"samples[{i}].{name}", str(error), index=i)
    if not readings:
        return Rejection(f"samples[{i}]", 'gives no quantity; give at least one, e.g. "h2": 41.2', index=i)
    return Sample(source.asset_code or "", compartment, source.code, at, readings)


def _compartment(name: str | None, source: Source) -> str:
    served = ", ".join(source.compartments)
    if name is None:
        if len(source.compartments) != 1:
            raise ImpossibleError(f"is missing; this instrument serves {served or 'none'}: say which")
        return source.compartments[0]
    if name not in source.compartments:
        raise ImpossibleError(f"this instrument does not serve {shown(name)}; it serves {served or 'none'}")
    return name


def _reading(name: str, value: float | str | Below) -> Reading:
    if isinstance(value, Below):
        return check_reading(name, below=value.below)
    if isinstance(value, str):
        try:
            return check_reading(name, below=parse_number(value[1:], _POINT))
        except NotANumberError as error:
            raise ImpossibleError(f"{shown(value)}: {error}; {_number_form(name)}") from None
    return check_reading(name, value=value + 0.0)


def batch_schema() -> dict[str, Any]:
    """The JSON schema of a body, without references to elsewhere."""
    return inlined(Batch.model_json_schema())
