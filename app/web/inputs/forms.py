"""Forms that are read field by field, refused early when they are too long or hold what is no text."""

from collections.abc import Mapping
from typing import Annotated

from fastapi import Depends, HTTPException, Request

from app.intake.strict_json import key_name
from app.web.inputs.parameters import text_fault
from app.web.server.problems import Problem

FORM_BYTES = 256 * 1024
MOST_FIELDS = 100
_PAST_ALL_LIMITS = 10**18


async def read_fields(request: Request) -> dict[str, str]:
    """The texts of a form by the fields' names; of a field sent twice the last.

    411 and 413 for a bad length, 415 for a foreign character set, 422 for what is no text.
    """
    check_form(request, FORM_BYTES)
    async with request.form(max_files=0, max_fields=MOST_FIELDS, max_part_size=FORM_BYTES) as form:
        fields = {name: text for name, text in form.multi_items() if isinstance(text, str)}
    check_texts(fields)
    return fields


def declared_length(request: Request) -> int | None:
    """The bytes that a request says it holds; None when it does not say so in digits."""
    declared = request.headers.get("content-length", "")
    if not (declared.isascii() and declared.isdigit()):
        return None
    digits = declared.lstrip("0")
    return int(digits or "0") if len(digits) <= 18 else _PAST_ALL_LIMITS


def check_form(request: Request, limit: int, told: str = "") -> None:
    """Refuse a form before it is read: 411 when it does not say how long it is, 413 when that is too long.

    415 when its text is not in UTF-8: browsers send it so from our pages, and some of Python's character sets
    make half characters or fail.
    """
    declared = declared_length(request)
    if declared is None:
        raise HTTPException(411, "Say how long the form is (Content-Length); browsers do.")
    if declared > limit:
        raise HTTPException(413, told or f"What was sent is larger than {limit} bytes.")
    _, _, charset = request.headers.get("content-type", "").lower().partition("charset=")
    name = charset.partition(";")[0].strip(' "')
    if name and name not in {"utf-8", "utf8", "us-ascii"}:
        raise HTTPException(415, f"Send the form in UTF-8, not in {key_name(name)}.")


def check_texts(fields: Mapping[str, str]) -> None:
    """422 naming each field that holds what no database takes as text."""
    faults = [(key_name(name), fault) for name, text in fields.items() if (fault := text_fault(text))]
    if faults:
        raise Problem(422, "; ".join(f"{name}: {fault}" for name, fault in faults[:5]), faults)


def field_of(fields: Mapping[str, str], name: str, longest: int) -> str:
    """A field's text, empty when it was not sent; 422 when it is longer than ``longest`` characters."""
    text = fields.get(name, "")
    if len(text) > longest:
        reason = f"has {len(text)} characters; {longest} are allowed"
        raise Problem(422, f"{name}: {reason}", [(name, reason)])
    return text


Fields = Annotated[dict[str, str], Depends(read_fields)]
