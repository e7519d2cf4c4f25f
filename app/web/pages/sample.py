"""The page of one sample, and the forms that put it right."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, HTTPException
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
from app.store.database import Database
from app.web.dependencies import AppSettings, Now, Store
from app.web.inputs.forms import Fields
from app.web.inputs.parameters import RowId
from app.web.server.templating import Render, Renderer

router = APIRouter()
LOCAL = "%Y-%m-%dT%H:%M:%S"
"""How a browser writes a local time."""
_DONE = {
    "edited": "Corrected: this revision is in force now, and what came after it was judged again.",
    "excluded": "Excluded: the sample no longer counts, and what came after it was judged again.",
    "restored": "Restored: the sample counts again, and what came after it was judged again.",
    "moved": "Moved: the sample stands here now, and both units were judged again.",
}


@dataclass(frozen=True, slots=True)
class _SamplePage:
    """The page of one sample, for all that show it."""

    render: Renderer
    database: Database

    def found(self, sample_id: int) -> SampleDetail:
        detail = sample_detail(self.database, sample_id)
        if detail is None:
            raise HTTPException(404, why_missing(self.database, sample_id))
        return detail

    def refused(
        self, sample_id: int, form: str, sent: Mapping[str, str], error: PutRightError | NoSuchError
    ) -> HTMLResponse:
        """The page again, the form open with what was typed and what is wrong with it."""
        problems = error.problems if isinstance(error, PutRightError) else (("sample", str(error)),)
        return self.of(self.found(sample_id), form, sent, problems)

    def of(
        self,
        detail: SampleDetail,
        form: str = "",
        sent: Mapping[str, str] | None = None,
        problems: Sequence[tuple[str, str]] = (),
        notice: str = "",
    ) -> HTMLResponse:
        stored: dict[str, Any] = {name: written(r) for name, r in detail.sample.readings.items()}
        stored["laboratory_number"] = detail.sample.laboratory_number or ""
        stored["remark"] = detail.sample.remark or ""
        return self.render(
            "sample.html",
            422 if problems else 200,
            view=detail,
            form=form,
            sent=sent or {},
            problems=problems,
            typed={**stored, **(sent or {})} if form == "edit" else stored,
            taken_at=local_time(detail),
            notice=notice,
        )


async def _sample_page(render: Render, database: Store) -> _SamplePage:
    return _SamplePage(render, database)


SamplePage = Annotated[_SamplePage, Depends(_sample_page)]


@dataclass(frozen=True, slots=True)
class _Correction:
    """A form that puts a sample right: what was sent, by whom and when, and where mails link to."""

    sent: Mapping[str, str]
    by: By
    public_url: str


async def _correction(sent: Fields, now: Now, settings: AppSettings) -> _Correction:
    return _Correction(sent, By(sent.get("author", ""), sent.get("reason", ""), now), settings.public_url)


Correction = Annotated[_Correction, Depends(_correction)]


@router.get("/samples/{sample_id}", response_class=HTMLResponse)
def sample(page: SamplePage, sample_id: RowId, done: str = "") -> HTMLResponse:
    """What a sample says and means, its revisions and its history."""
    return page.of(page.found(sample_id), notice=_DONE.get(done, ""))


@router.post("/samples/{sample_id}/edit", response_class=HTMLResponse)
def edit(page: SamplePage, database: Store, sample_id: RowId, wanted: Correction) -> Response:
    """Other readings, laboratory number or remark: a revision."""
    sent = wanted.sent
    try:
        contents = read_contents(
            {name: sent.get(name, "") for name in NAMES},
            sent.get("laboratory_number", ""),
            sent.get("remark", ""),
        )
        new_id = edit_sample(database, sample_id, contents, wanted.by, wanted.public_url)
    except (PutRightError, NoSuchError) as error:
        return page.refused(sample_id, "edit", sent, error)
    return _done(new_id, "edited")


@router.post("/samples/{sample_id}/move", response_class=HTMLResponse)
def move(page: SamplePage, database: Store, sample_id: RowId, wanted: Correction) -> Response:
    """It was taken elsewhere or at another time."""
    try:
        place = _place(page.found(sample_id), wanted.sent)
        new_id = move_sample(database, sample_id, place, wanted.by, wanted.public_url)
    except (PutRightError, NoSuchError) as error:
        return page.refused(sample_id, "move", wanted.sent, error)
    return _done(new_id, "moved")


@router.post("/samples/{sample_id}/{what}", response_class=HTMLResponse)
def exclude_or_restore(
    page: SamplePage,
    database: Store,
    sample_id: RowId,
    what: Literal["exclude", "restore"],
    wanted: Correction,
) -> Response:
    """It no longer counts, or it counts again."""
    act = exclude_sample if what == "exclude" else restore_sample
    try:
        act(database, sample_id, wanted.by, wanted.public_url)
    except (PutRightError, NoSuchError) as error:
        return page.refused(sample_id, what, wanted.sent, error)
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


def _done(sample_id: int, what: str) -> Response:
    return RedirectResponse(f"/samples/{sample_id}?{urlencode({'done': what})}", 303)
