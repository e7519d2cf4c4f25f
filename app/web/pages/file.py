"""The files that laboratories sent: the list, one file with its samples, its content, and the form to undo it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Depends, HTTPException
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from app.services.correcting.put_right import NoSuchError, undo_file
from app.services.pages.file_view import FILES_SHOWN, SAMPLES_SHOWN, file_content, file_detail, newest_files
from app.services.recording.sample_contents import PutRightError
from app.store.correcting.corrections import By
from app.store.database import Database
from app.web.dependencies import AppSettings, Now, Store
from app.web.inputs.forms import Fields
from app.web.inputs.parameters import RowId
from app.web.server.templating import Render, Renderer

router = APIRouter()


@dataclass(frozen=True, slots=True)
class _FilePage:
    """The page of one file, for all that show it."""

    render: Renderer
    database: Database

    def of(
        self,
        file_id: int,
        *,
        sent: dict[str, str] | None = None,
        problems: Sequence[tuple[str, str]] = (),
        notice: str = "",
    ) -> HTMLResponse:
        detail = file_detail(self.database, file_id)
        if detail is None:
            raise HTTPException(404, f"There is no file {file_id}.")
        return self.render(
            "file.html",
            422 if problems else 200,
            view=detail,
            sent=sent or {},
            problems=problems,
            notice=notice,
            shown=SAMPLES_SHOWN,
        )


async def _file_page(render: Render, database: Store) -> _FilePage:
    return _FilePage(render, database)


FilePage = Annotated[_FilePage, Depends(_file_page)]


@router.get("/files", response_class=HTMLResponse)
def files(render: Render, database: Store) -> HTMLResponse:
    """The files that came last."""
    return render("files.html", files=newest_files(database), shown=FILES_SHOWN)


@router.get("/files/{file_id}", response_class=HTMLResponse)
def file(page: FilePage, file_id: RowId, excluded: str = "", again: str = "") -> HTMLResponse:
    """One file and what came with it."""
    return page.of(file_id, notice=_undone(excluded, again))


@router.get("/files/{file_id}/content")
def content(database: Store, file_id: RowId) -> Response:
    """The file as it arrived, to be saved and never to be shown."""
    found = file_content(database, file_id)
    if found is None:
        raise HTTPException(404, f"There is no file {file_id}.")
    name, body = found
    headers = {"Content-Disposition": f"attachment; filename*=UTF-8''{quote(name, safe='')}"}
    return Response(body, media_type="application/octet-stream", headers=headers)


@router.post("/files/{file_id}/undo", response_class=HTMLResponse)
def undo(
    page: FilePage, database: Store, settings: AppSettings, now: Now, file_id: RowId, sent: Fields
) -> Response:
    """Take the whole file back."""
    by = By(sent.get("author", ""), sent.get("reason", ""), now)
    try:
        done = undo_file(database, file_id, by, settings.public_url)
    except PutRightError as error:
        return page.of(file_id, sent=sent, problems=error.problems)
    except NoSuchError as error:
        raise HTTPException(404, f"{str(error)[:1].upper()}{str(error)[1:]}.") from None
    told = urlencode({"excluded": done.excluded, "again": done.in_force_again})
    return RedirectResponse(f"/files/{file_id}?{told}", 303)


def _undone(excluded: str, again: str) -> str:
    """What the undoing did, told once on the page it leads back to."""
    if not (excluded.isdecimal() and again.isdecimal() and len(excluded) < 10 and len(again) < 10):
        return ""
    words = f"Undone: {excluded} sample{'s' * (excluded != '1')} excluded"
    if again != "0":
        words += f", {again} earlier revision{'s' * (again != '1')} in force again"
    return f"{words}. What came after them was judged again."
