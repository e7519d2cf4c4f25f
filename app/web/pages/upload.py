"""A laboratory's file: choose it, look at what it would do, then import it.

Nothing of a preview is kept on the server. The browser sends the file again to import it, with the hash of what
was previewed; when the two differ, the new one is previewed instead of imported.
"""

from collections.abc import Mapping
from functools import partial

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from app.intake.registering.bodies import BadRegistration, read_form
from app.intake.registering.things import AssetEntry
from app.services.files.import_file import ImportChoices, import_file, preview
from app.services.recording.record_samples import BatchTerms
from app.services.registering.register import (
    AlreadyRegisteredError,
    UnknownReferenceError,
    register_new_asset,
)
from app.web.pages.mapping import mapping_page
from app.web.pages.upload_form import NEW_UNIT, Sent, Upload, said_units, unit_fields
from app.web.pages.upload_page import NOT_LISTED, Shown, upload_page
from app.web.pages.upload_progress import UploadProgress
from app.web.reading.parameters import PrintableText
from app.web.server.clock import now_of

router = APIRouter()


@router.get("/upload", response_class=HTMLResponse)
def choose(request: Request) -> HTMLResponse:
    """The form."""
    return upload_page(request)


@router.get("/upload/progress/{ticket}")
def progress(request: Request, ticket: PrintableText) -> dict[str, str | int]:
    """How far the upload with this ticket has got."""
    step, done, total = request.app.state.upload_progress.read(ticket)
    return {"step": step, "done": done, "total": total}


@router.post("/upload/preview", response_class=HTMLResponse)
def look(request: Request, sent: Sent) -> HTMLResponse:
    """What the file would do. htmx puts the answer under the form, whose file stays chosen."""
    error = _incomplete(sent)
    if error:
        return upload_page(request, 422, sent, Shown(error=error))
    if sent.laboratory == NOT_LISTED:
        return mapping_page(request, sent)
    return _preview(request, sent)


@router.post("/upload/units", response_class=HTMLResponse)
def say_units(request: Request, sent: Sent) -> HTMLResponse:
    """Take what was said of units that are not known, register the new ones, and look at the file again."""
    error = _incomplete(sent)
    if error:
        return upload_page(request, 422, sent, Shown(error=error))
    fields = dict(sent.fields)
    registered, wrong = [], []
    for text, (i, said) in said_units(fields).items():
        if said != NEW_UNIT:
            continue
        try:
            registered.append(_register(request, fields, i))
            fields[f"unit-is-{i}"] = registered[-1]
        except (BadRegistration, UnknownReferenceError, AlreadyRegisteredError) as fault:
            wrong.append(f"{text}: {fault}")
    again = Upload(sent.laboratory, sent.author, sent.previewed, sent.filename, sent.content, fields)
    notice = f"Registered: {', '.join(registered)}." if registered else ""
    return _preview(request, again, "; ".join(wrong), notice)


@router.post("/upload/import", response_class=HTMLResponse)
def take(request: Request, sent: Sent) -> HTMLResponse:
    """Import the file that was previewed: all of it, or nothing."""
    error = _incomplete(sent)
    if error:
        return upload_page(request, 422, sent, Shown(error=error))
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
        now_of(request),
        BatchTerms(state.settings.public_url),
        _choices(request, sent),
    )
    return upload_page(request, 200 if done.stored else 422, sent, Shown(done, done.stored))


def _preview(request: Request, sent: Upload, error: str = "", notice: str = "") -> HTMLResponse:
    database, now = request.app.state.database, now_of(request)
    outcome = preview(
        database, sent.content or b"", sent.filename, sent.laboratory, now, _choices(request, sent)
    )
    return upload_page(request, 422 if error else 200, sent, Shown(outcome, error=error, notice=notice))


def _choices(request: Request, sent: Upload) -> ImportChoices:
    """Which asset each text of the file stands for, as the form says; and whom to tell how far it has got."""
    said = said_units(sent.fields)
    units = {text: code for text, (_, code) in said.items() if code != NEW_UNIT}
    ticket = sent.fields.get("ticket", "")
    told: UploadProgress = request.app.state.upload_progress
    return ImportChoices(units=units, progress=partial(told.tell, ticket[:64]) if ticket else None)


def _register(request: Request, fields: Mapping[str, str], i: int) -> str:
    """Register the new unit of the form; returns its code."""
    unit = read_form(unit_fields(fields, i), AssetEntry)
    register_new_asset(request.app.state.database, *unit.asset(unit.code))
    return unit.code


def _incomplete(sent: Upload) -> str:
    if not sent.laboratory:
        return "Choose the laboratory that sent the file."
    if sent.content is None:
        return "Choose the file."
    return ""
