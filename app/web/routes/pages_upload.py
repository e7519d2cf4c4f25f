"""A laboratory's file: choose it, look at what it would do, then import it.

Nothing of a preview is kept on the server. The browser sends the file again to import it, with the hash of what
was previewed; when the two differ, the new one is previewed instead of imported.
"""

import hashlib
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Depends, HTTPException, Request
from fastapi.responses import HTMLResponse
from starlette.datastructures import UploadFile

from app.services.import_file import ImportPreview, import_file, preview
from app.services.record_samples import RecordContext
from app.services.upload_view import asset_zones, laboratory_choices
from app.web.templating import render

router = APIRouter()

ROWS_SHOWN = 500
FORM_BYTES = 64 * 1024
"""Room for the other fields and the boundaries of the form."""


@dataclass(frozen=True, slots=True)
class Upload:
    """The form as it was sent. ``content`` is None when no file was chosen."""

    laboratory: str
    author: str
    previewed: str
    filename: str
    content: bytes | None

    @property
    def digest(self) -> str:
        return hashlib.sha256(self.content or b"").hexdigest()


async def read_upload(request: Request) -> Upload:
    """The form, read only after its declared length was found to be allowed. 411 and 413 otherwise."""
    limit = request.app.state.settings.max_upload_bytes
    declared = request.headers.get("content-length", "")
    if not (declared.isascii() and declared.isdigit()):
        raise HTTPException(411, "Say how long the form is (Content-Length); browsers do.")
    if int(declared[:18]) > limit + FORM_BYTES:
        raise HTTPException(413, f"The file is larger than {limit} bytes; split it.")
    async with request.form(max_files=1, max_fields=8, max_part_size=FORM_BYTES) as form:
        file = form.get("file")
        chosen = isinstance(file, UploadFile) and bool(file.filename)
        return Upload(
            laboratory=_text(form.get("laboratory")),
            author=_text(form.get("author")),
            previewed=_text(form.get("sha256")),
            filename=(file.filename or "")[:255] if isinstance(file, UploadFile) else "",
            content=await file.read() if chosen and isinstance(file, UploadFile) else None,
        )


Sent = Annotated[Upload, Depends(read_upload)]


@router.get("/upload", response_class=HTMLResponse)
def choose(request: Request) -> HTMLResponse:
    """The form."""
    return _page(request)


@router.post("/upload/preview", response_class=HTMLResponse)
def look(request: Request, sent: Sent) -> HTMLResponse:
    """What the file would do. htmx puts the answer under the form, whose file stays chosen."""
    error = _incomplete(sent)
    if error:
        return _page(request, 422, sent=sent, error=error)
    return _preview(request, sent)


@router.post("/upload/import", response_class=HTMLResponse)
def take(request: Request, sent: Sent) -> HTMLResponse:
    """Import the file that was previewed: all of it, or nothing."""
    error = _incomplete(sent)
    if error:
        return _page(request, 422, sent=sent, error=error)
    if sent.previewed != sent.digest:
        return _preview(
            request, sent, "This is not the file that was previewed. Look at what it would do first."
        )
    if not sent.author.strip():
        return _preview(request, sent, "Not imported yet: say who imports it.")
    state = request.app.state
    done = import_file(
        state.database,
        sent.content or b"",
        sent.filename,
        sent.laboratory,
        sent.author.strip(),
        datetime.now(UTC),
        RecordContext(state.settings.public_url),
    )
    return _page(request, 200 if done.stored else 422, sent=sent, outcome=done, done=done.stored)


def _preview(request: Request, sent: Upload, error: str = "") -> HTMLResponse:
    database = request.app.state.database
    outcome = preview(database, sent.content or b"", sent.filename, sent.laboratory, datetime.now(UTC))
    return _page(request, 422 if error else 200, sent=sent, outcome=outcome, error=error)


def _incomplete(sent: Upload) -> str:
    if not sent.laboratory:
        return "Choose the laboratory that sent the file."
    if sent.content is None:
        return "Choose the file."
    return ""


def _page(
    request: Request,
    status: int = 200,
    *,
    sent: Upload | None = None,
    outcome: ImportPreview | None = None,
    error: str = "",
    done: bool = False,
) -> HTMLResponse:
    database = request.app.state.database
    partial = request.headers.get("hx-target") == "preview"
    context: dict[str, Any] = {
        "laboratories": laboratory_choices(database),
        "sent": sent,
        "outcome": outcome,
        "error": error,
        "done": done,
        "zones": asset_zones(database) if outcome else {},
        "rows_shown": ROWS_SHOWN,
    }
    # htmx leaves a page as it is when the status is an error; the fragment tells the error in words
    return render(
        request, "upload_outcome.html" if partial else "upload.html", 200 if partial else status, **context
    )


def _text(value: object) -> str:
    return value.strip()[:200] if isinstance(value, str) else ""
