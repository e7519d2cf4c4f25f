"""The form that carries a laboratory's file: read once, refused early when it is too long or holds what is no text."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, HTTPException, Request
from starlette.datastructures import UploadFile

from app.intake.registering.things import AssetEntry, keys_of
from app.web.dependencies import AppSettings
from app.web.inputs.forms import FORM_BYTES, check_form, check_texts

MOST_FIELDS = 1000
"""A mapping has up to four fields a column."""
LONGEST_FIELD = 2000
MOST_UNITS = 200
NEW_UNIT = "?new"
"""Chosen as the unit: it is to be registered."""


@dataclass(frozen=True, slots=True)
class Upload:
    """The form as it was sent. ``content`` is None when no file was chosen."""

    laboratory: str
    author: str
    previewed: str
    filename: str
    content: bytes | None
    fields: Mapping[str, str]
    """All texts of the form by name; of a field sent twice the last."""

    @property
    def digest(self) -> str:
        return hashlib.sha256(self.content or b"").hexdigest()


async def read_upload(request: Request, settings: AppSettings) -> Upload:
    """The form, read only after its declared length was found to be allowed. 411, 413, 415 and 422 otherwise."""
    limit = settings.max_upload_bytes
    too_long = f"The file is larger than {limit} bytes; split it."
    check_form(request, limit + FORM_BYTES, too_long)
    async with request.form(max_files=1, max_fields=MOST_FIELDS, max_part_size=FORM_BYTES) as form:
        file = form.get("file")
        chosen = isinstance(file, UploadFile) and bool(file.filename)
        fields = {
            name: text.strip()[:LONGEST_FIELD] for name, text in form.multi_items() if isinstance(text, str)
        }
        check_texts({**fields, "file": file.filename or ""} if isinstance(file, UploadFile) else fields)
        content = await file.read() if chosen and isinstance(file, UploadFile) else None
        if content is not None and len(content) > limit:
            raise HTTPException(413, too_long)
        return Upload(
            laboratory=fields.get("laboratory", "")[:200],
            author=fields.get("author", "")[:200],
            previewed=fields.get("sha256", ""),
            filename=(file.filename or "")[:255] if isinstance(file, UploadFile) else "",
            content=content,
            fields=fields,
        )


def said_units(fields: Mapping[str, str]) -> dict[str, tuple[int, str]]:
    """By text of the file, its number in the form and what is said that it is: an asset code, or NEW_UNIT."""
    found = {}
    for i in range(MOST_UNITS):
        text, said = fields.get(f"unit-text-{i}"), fields.get(f"unit-is-{i}")
        if text and said:
            found[text] = (i, said)
    return found


def unit_fields(fields: Mapping[str, str], i: int) -> dict[str, str]:
    """What the form says of a new unit, by the keys of an asset; one without a name is called by its code."""
    said = {key: fields[name] for key in keys_of(AssetEntry) if (name := f"unit-{key}-{i}") in fields}
    return {**said, "name": said.get("name") or said.get("code", "")}


Sent = Annotated[Upload, Depends(read_upload)]
