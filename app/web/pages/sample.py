"""The page of one sample, and the forms that put it right."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from app.intake.local_time import to_utc
from app.intake.validate import ImpossibleError
from app.science.quantities import NAMES
from app.services.correcting.put_right import (
    NoSuchError,
    Place,
    edit_sample,
    exclude_sample,
    move_sample,
    restore_sample,
)
from app.services.pages.missing_sample import why_missing
from app.services.pages.sample_view import SampleDetail, sample_detail
from app.services.recording.sample_contents import PutRightError, read_contents, written
from app.store.correcting.corrections import By
from app.web.reading.forms import Fields
from app.web.reading.parameters import RowId
from app.web.server.clock import now_of
from app.web.server.templating import render

router = APIRouter()
LOCAL = "%Y-%m-%dT%H:%M:%S"
"""How a browser writes a local time."""
_DONE = {
    "edited": "Corrected: this revision is in force now, and what came after it was judged again.",
    "excluded": "Excluded: the sample no longer counts, and what came after it was judged again.",
    "restored": "Restored: the sample counts again, and what came after it was judged again.",
    "moved": "Moved: the sample stands here now, and both units were judged again.",
}


@router.get("/samples/{sample_id}", response_class=HTMLResponse)
def sample(request: Request, sample_id: RowId) -> HTMLResponse:
    """What a sample says and means, its revisions and its history."""
    return _page(request, _found(request, sample_id))


@router.post("/samples/{sample_id}/edit", response_class=HTMLResponse)
def edit(request: Request, sample_id: RowId, sent: Fields) -> Response:
    """Other readings, laboratory number or remark: a revision."""
    state = request.app.state
    try:
        contents = read_contents(
            {name: sent.get(name, "") for name in NAMES},
            sent.get("laboratory_number", ""),
            sent.get("remark", ""),
        )
        new_id = edit_sample(
            state.database, sample_id, contents, _by(request, sent), state.settings.public_url
        )
    except (PutRightError, NoSuchError) as error:
        return _refused(request, sample_id, "edit", sent, error)
    return _done(new_id, "edited")


@router.post("/samples/{sample_id}/move", response_class=HTMLResponse)
def move(request: Request, sample_id: RowId, sent: Fields) -> Response:
    """It was taken elsewhere or at another time."""
    state = request.app.state
    try:
        place = _place(_found(request, sample_id), sent)
        new_id = move_sample(state.database, sample_id, place, _by(request, sent), state.settings.public_url)
    except (PutRightError, NoSuchError) as error:
        return _refused(request, sample_id, "move", sent, error)
    return _done(new_id, "moved")


@router.post("/samples/{sample_id}/{what}", response_class=HTMLResponse)
def exclude_or_restore(
    request: Request, sample_id: RowId, what: Literal["exclude", "restore"], sent: Fields
) -> Response:
    """It no longer counts, or it counts again."""
    state = request.app.state
    act = exclude_sample if what == "exclude" else restore_sample
    try:
        act(state.database, sample_id, _by(request, sent), state.settings.public_url)
    except (PutRightError, NoSuchError) as error:
        return _refused(request, sample_id, what, sent, error)
    return _done(sample_id, f"{what}d")


def _place(detail: SampleDetail, sent: Mapping[str, str]) -> Place:
    """Where the form says the sample was taken; a time left as it was stays the same instant."""
    wanted = sent.get("compartment_id", "")
    choice = next((c for c in detail.choices if str(c.compartment_id) == wanted), None)
    if choice is None:
        raise PutRightError(("compartment", "choose where the sample was taken"))
    text = sent.get("taken_at", "").strip()
    if text == local_time(detail):
        return Place(choice.asset_code, choice.compartment)
    try:
        local = datetime.fromisoformat(text)
        if local.tzinfo is not None:
            raise ValueError  # the zone is the site's
    except ValueError:
        raise PutRightError(
            ("taken_at", f"{text!r} is not a date and time; write it like 2026-03-31T14:05")
        ) from None
    try:
        at = to_utc(local, choice.time_zone, "refuse")
    except ImpossibleError as error:
        raise PutRightError(("taken_at", str(error))) from None
    return Place(choice.asset_code, choice.compartment, at)


def local_time(detail: SampleDetail) -> str:
    """When the sample was taken, in its site's time, as a form's field holds it."""
    return detail.taken_locally.strftime(LOCAL)


def _by(request: Request, sent: Mapping[str, str]) -> By:
    return By(sent.get("author", ""), sent.get("reason", ""), now_of(request))


def _done(sample_id: int, what: str) -> Response:
    return RedirectResponse(f"/samples/{sample_id}?{urlencode({'done': what})}", 303)


def _found(request: Request, sample_id: int) -> SampleDetail:
    detail = sample_detail(request.app.state.database, sample_id)
    if detail is None:
        raise HTTPException(404, why_missing(request.app.state.database, sample_id))
    return detail


def _refused(
    request: Request, sample_id: int, form: str, sent: Mapping[str, str], error: PutRightError | NoSuchError
) -> HTMLResponse:
    """The page again, the form open with what was typed and what is wrong with it."""
    problems = error.problems if isinstance(error, PutRightError) else (("sample", str(error)),)
    return _page(request, _found(request, sample_id), form, sent, problems)


def _page(
    request: Request,
    detail: SampleDetail,
    form: str = "",
    sent: Mapping[str, str] | None = None,
    problems: Sequence[tuple[str, str]] = (),
) -> HTMLResponse:
    stored: dict[str, Any] = {name: written(r) for name, r in detail.sample.readings.items()}
    stored["laboratory_number"] = detail.sample.laboratory_number or ""
    stored["remark"] = detail.sample.remark or ""
    return render(
        request,
        "sample.html",
        422 if problems else 200,
        view=detail,
        form=form,
        sent=sent or {},
        problems=problems,
        typed={**stored, **(sent or {})} if form == "edit" else stored,
        taken_at=local_time(detail),
        notice=_DONE.get(request.query_params.get("done", ""), ""),
    )
