"""Forms that are read field by field, refused early when they are too long."""

from typing import Annotated

from fastapi import Depends, HTTPException, Request

FORM_BYTES = 256 * 1024
MOST_FIELDS = 100


async def read_fields(request: Request) -> dict[str, str]:
    """The texts of a form by the fields' names; of a field sent twice the last. 411 and 413 for a bad length."""
    check_length(request, FORM_BYTES)
    async with request.form(max_files=0, max_fields=MOST_FIELDS, max_part_size=FORM_BYTES) as form:
        return {name: text for name, text in form.multi_items() if isinstance(text, str)}


def check_length(request: Request, limit: int, told: str = "") -> None:
    """Refuse a form before it is read: 411 when it does not say how long it is, 413 when that is too long."""
    declared = request.headers.get("content-length", "")
    if not (declared.isascii() and declared.isdigit()):
        raise HTTPException(411, "Say how long the form is (Content-Length); browsers do.")
    if int(declared[:18]) > limit:
        raise HTTPException(413, told or f"What was sent is larger than {limit} bytes.")


Fields = Annotated[dict[str, str], Depends(read_fields)]
