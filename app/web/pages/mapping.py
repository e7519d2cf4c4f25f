"""Mapping by hand: an unknown file's columns, proposed, corrected, looked at, and saved as a laboratory's profile.

The file stays chosen in the browser's form and is sent with every step; nothing of it is kept until the import.
"""

from collections.abc import Sequence
from typing import Any
from zoneinfo import available_timezones

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

from app.intake.text import UnreadableFileError
from app.intake.units import UNITS
from app.services.files.import_file import preview
from app.services.files.map_columns import (
    MappedRows,
    MappingError,
    NewProfile,
    compartment_names,
    mappable_laboratories,
    profile_of,
    read_rows,
    save_profile,
)
from app.services.files.mapping_grid import Grid
from app.services.files.mapping_guess import DATE_FORMATS, TIME_FORMATS, Guess, guess
from app.store.database import Database
from app.web.dependencies import Now, Store
from app.web.pages.mapping_form import (
    DELIMITER_NAMES,
    ENCODINGS,
    decisions_of,
    digest,
    shown_fields,
    structure_of,
)
from app.web.pages.upload_form import Sent, Upload
from app.web.pages.upload_page import Shown, UploadPage

router = APIRouter()
Problems = Sequence[tuple[str, str]]


@router.post("/upload/map", response_class=HTMLResponse)
def propose(page: UploadPage, sent: Sent) -> HTMLResponse:
    """What the file looks like, and the form to say what its columns are."""
    return mapping_page(page, sent)


@router.post("/upload/map/rows", response_class=HTMLResponse)
def rows(page: UploadPage, sent: Sent) -> HTMLResponse:
    """The first rows as they would be stored by what the form says."""
    return mapping_page(page, sent, look=True)


@router.post("/upload/map/save", response_class=HTMLResponse)
def save(page: UploadPage, database: Store, now: Now, sent: Sent) -> HTMLResponse:
    """Keep the mapping as a laboratory's profile, and look at what the import of the file would do."""
    try:
        found = guess(sent.content or b"", structure_of(sent.fields))
        decisions = decisions_of(sent.fields, found.grid)
        if sent.fields.get("m-shown") != digest(decisions, found.grid):
            changed = "The mapping was changed: look at its rows again."
            return mapping_page(page, sent, look=True, error=changed)
        code = sent.fields.get("m-known") or sent.fields.get("m-code", "")
        made = f"Made by {sent.author or 'nobody'} from {sent.filename}"
        profile = profile_of(decisions, found.grid, made)
        new = NewProfile(code, sent.fields.get("m-name", ""), profile, sent.author)
        save_profile(database, new, now)
    except (MappingError, UnreadableFileError) as error:
        problems = error.problems if isinstance(error, MappingError) else (("file", str(error)),)
        return mapping_page(page, sent, look=True, problems=problems)
    outcome = preview(database, sent.content or b"", sent.filename, code, now)
    notice = f"The mapping is saved as the profile of {code}."
    return page.of(200, sent, Shown(outcome, mapped=code, notice=notice))


def mapping_page(
    page: UploadPage, sent: Upload, *, look: bool = False, error: str = "", problems: Problems = ()
) -> HTMLResponse:
    """The mapping's form with what was decided so far, and with ``look`` the first rows by it."""
    if sent.content is None:
        return page.of(422, sent, Shown(error="Choose the file."))
    try:
        found = guess(sent.content, structure_of(sent.fields))
    except UnreadableFileError as fault:
        return page.of(422, sent, Shown(error=f"The file cannot be mapped: {fault}."))
    fields = shown_fields(sent.fields, found)
    mapped, shown = None, ""
    if look:
        decisions = decisions_of(fields, found.grid)
        try:
            mapped = read_rows(sent.content, profile_of(decisions, found.grid))
            shown = digest(decisions, found.grid)
        except MappingError as fault:
            problems = (*problems, *(p for p in fault.problems if p not in problems))
    view = _view(page.database, found, fields, mapped)
    view |= {"problems": problems, "shown": shown, "look": look}
    return page.of(422 if problems or error else 200, sent, Shown(error=error, mapping=view))


def _view(
    database: Database, found: Guess, fields: dict[str, str], mapped: MappedRows | None
) -> dict[str, Any]:
    return {
        "guess": found,
        "fields": fields,
        "mapped": mapped,
        "quantities": {name for row in mapped.rows for name in row.readings} if mapped else set(),
        "encodings": ENCODINGS,
        "delimiters": DELIMITER_NAMES,
        "first_lines": _first_lines(found.grid),
        "dates": DATE_FORMATS,
        "clocks": {tail.strip(): example for tail, example in TIME_FORMATS.items()},
        "zones": sorted(available_timezones()),
        "units": list(dict.fromkeys(unit for units in UNITS.values() for unit in units)),
        "compartments": compartment_names(database),
        "laboratories": mappable_laboratories(database),
    }


def _first_lines(grid: Grid) -> list[tuple[int, str]]:
    """The rows that may be the header: line and beginning."""
    return [(line.line, " | ".join(str(cell) for cell in line.cells)[:70]) for line in grid.first_lines]
