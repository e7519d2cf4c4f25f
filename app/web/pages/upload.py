"""A laboratory's file: choose it, look at what it would do, then import it.

Nothing of a preview is kept on the server. The browser sends the file again to import it, with the hash of what
was previewed; when the two differ, the new one is previewed instead of imported.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from typing import Annotated

from fastapi import APIRouter, Depends
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
from app.store.database import Database
from app.web.dependencies import AppSettings, Now, Progress, Store
from app.web.inputs.parameters import PrintableText
from app.web.pages.mapping import mapping_page
from app.web.pages.upload_form import NEW_UNIT, Sent, Upload, said_units, unit_fields
from app.web.pages.upload_page import NOT_LISTED, Shown, UploadPage
from app.web.pages.upload_progress import UploadProgress

router = APIRouter()


@dataclass(frozen=True, slots=True)
class _Previews:
    """Looks at what a file would do, and shows it."""

    page: UploadPage
    database: Database
    now: datetime
    progress: UploadProgress

    def of(self, sent: Upload, error: str = "", notice: str = "") -> HTMLResponse:
        content, choices = sent.content or b"", choices_of(sent, self.progress)
        outcome = preview(self.database, content, sent.filename, sent.laboratory, self.now, choices)
        return self.page.of(422 if error else 200, sent, Shown(outcome, error=error, notice=notice))


async def _previews(page: UploadPage, database: Store, now: Now, progress: Progress) -> _Previews:
    return _Previews(page, database, now, progress)


Previews = Annotated[_Previews, Depends(_previews)]


@router.get("/upload", response_class=HTMLResponse)
def choose(page: UploadPage) -> HTMLResponse:
    """The form."""
    return page.of()


@router.get("/upload/progress/{ticket}")
def how_far(progress: Progress, ticket: PrintableText) -> dict[str, str | int]:
    """How far the upload with this ticket has got."""
    step, done, total = progress.read(ticket)
    return {"step": step, "done": done, "total": total}


@router.post("/upload/preview", response_class=HTMLResponse)
def look(page: UploadPage, previews: Previews, sent: Sent) -> HTMLResponse:
    """What the file would do. htmx puts the answer under the form, whose file stays chosen."""
    error = _incomplete(sent)
    if error:
        return page.of(422, sent, Shown(error=error))
    if sent.laboratory == NOT_LISTED:
        return mapping_page(page, sent)
    return previews.of(sent)


@router.post("/upload/units", response_class=HTMLResponse)
def say_units(page: UploadPage, previews: Previews, database: Store, sent: Sent) -> HTMLResponse:
    """Take what was said of units that are not known, register the new ones, and look at the file again."""
    error = _incomplete(sent)
    if error:
        return page.of(422, sent, Shown(error=error))
    fields = dict(sent.fields)
    registered, wrong = [], []
    for text, (i, said) in said_units(fields).items():
        if said != NEW_UNIT:
            continue
        try:
            registered.append(_register(database, fields, i))
            fields[f"unit-is-{i}"] = registered[-1]
        except (BadRegistration, UnknownReferenceError, AlreadyRegisteredError) as fault:
            wrong.append(f"{text}: {fault}")
    notice = f"Registered: {', '.join(registered)}." if registered else ""
    return previews.of(replace(sent, fields=fields), "; ".join(wrong), notice)


@router.post("/upload/import", response_class=HTMLResponse)
def take(
    page: UploadPage, previews: Previews, database: Store, settings: AppSettings, sent: Sent
) -> HTMLResponse:
    """Import the file that was previewed: all of it, or nothing."""
    error = _incomplete(sent)
    if error:
        return page.of(422, sent, Shown(error=error))
    if sent.previewed != sent.digest:
        return previews.of(sent, "This is not the file that was previewed. Look at what it would do first.")
    if not sent.author.strip():
        return previews.of(sent, "Not imported yet: say who imports it.")
    done = import_file(
        database,
        sent.content or b"",
        sent.filename,
        sent.laboratory,
        sent.author.strip(),
        previews.now,
        BatchTerms(settings.public_url),
        choices_of(sent, previews.progress),
    )
    return page.of(200 if done.stored else 422, sent, Shown(done, done.stored))


def choices_of(sent: Upload, progress: UploadProgress) -> ImportChoices:
    """Which asset each text of the file stands for, as the form says; and whom to tell how far it has got."""
    said = said_units(sent.fields)
    units = {text: code for text, (_, code) in said.items() if code != NEW_UNIT}
    ticket = sent.fields.get("ticket", "")
    return ImportChoices(units=units, progress=partial(progress.tell, ticket[:64]) if ticket else None)


def _register(database: Database, fields: Mapping[str, str], i: int) -> str:
    """Register the new unit of the form; returns its code."""
    unit = read_form(unit_fields(fields, i), AssetEntry)
    register_new_asset(database, *unit.asset(unit.code))
    return unit.code


def _incomplete(sent: Upload) -> str:
    if not sent.laboratory:
        return "Choose the laboratory that sent the file."
    if sent.content is None:
        return "Choose the file."
    return ""
