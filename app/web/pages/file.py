"""The files that laboratories sent: the list, one file with its samples, its content, and the form to undo it."""

from urllib.parse import quote, urlencode

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from app.services.correcting.put_right import NoSuchError, undo_file
from app.services.pages.file_view import FILES_SHOWN, SAMPLES_SHOWN, file_content, file_detail, newest_files
from app.services.recording.sample_contents import PutRightError
from app.store.correcting.corrections import By
from app.web.reading.forms import Fields
from app.web.reading.parameters import RowId
from app.web.server.clock import now_of
from app.web.server.templating import render

router = APIRouter()


@router.get("/files", response_class=HTMLResponse)
def files(request: Request) -> HTMLResponse:
    """The files that came last."""
    return render(request, "files.html", files=newest_files(request.app.state.database), shown=FILES_SHOWN)


@router.get("/files/{file_id}", response_class=HTMLResponse)
def file(request: Request, file_id: RowId) -> HTMLResponse:
    """One file and what came with it."""
    return _page(request, file_id)


@router.get("/files/{file_id}/content")
def content(request: Request, file_id: RowId) -> Response:
    """The file as it arrived, to be saved and never to be shown."""
    found = file_content(request.app.state.database, file_id)
    if found is None:
        raise HTTPException(404, f"There is no file {file_id}.")
    name, body = found
    headers = {"Content-Disposition": f"attachment; filename*=UTF-8''{quote(name, safe='')}"}
    return Response(body, media_type="application/octet-stream", headers=headers)


@router.post("/files/{file_id}/undo", response_class=HTMLResponse)
def undo(request: Request, file_id: RowId, sent: Fields) -> Response:
    """Take the whole file back."""
    state = request.app.state
    by = By(sent.get("author", ""), sent.get("reason", ""), now_of(request))
    try:
        done = undo_file(state.database, file_id, by, state.settings.public_url)
    except PutRightError as error:
        return _page(request, file_id, sent, error)
    except NoSuchError as error:
        raise HTTPException(404, f"{str(error)[:1].upper()}{str(error)[1:]}.") from None
    told = urlencode({"excluded": done.excluded, "again": done.in_force_again})
    return RedirectResponse(f"/files/{file_id}?{told}", 303)


def _page(
    request: Request, file_id: int, sent: dict[str, str] | None = None, error: PutRightError | None = None
) -> HTMLResponse:
    detail = file_detail(request.app.state.database, file_id)
    if detail is None:
        raise HTTPException(404, f"There is no file {file_id}.")
    return render(
        request,
        "file.html",
        422 if error else 200,
        view=detail,
        sent=sent or {},
        problems=error.problems if error else (),
        notice=_undone(request),
        shown=SAMPLES_SHOWN,
    )


def _undone(request: Request) -> str:
    """What the undoing did, told once on the page it leads back to."""
    excluded, again = (request.query_params.get(name, "") for name in ("excluded", "again"))
    if not (excluded.isdecimal() and again.isdecimal() and len(excluded) < 10 and len(again) < 10):
        return ""
    words = f"Undone: {excluded} sample{'s' * (excluded != '1')} excluded"
    if again != "0":
        words += f", {again} earlier revision{'s' * (again != '1')} in force again"
    return f"{words}. What came after them was judged again."
