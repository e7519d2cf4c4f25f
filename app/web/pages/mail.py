"""The outbox: what was mailed to whom, and whether it got out."""

from typing import Annotated, Literal

from fastapi import APIRouter, HTTPException, Query
from fastapi.responses import HTMLResponse, Response

from app.notify.transport import DeliveryError
from app.services.pages.mail_view import as_eml, mail_page, one_mail
from app.store.database import Database
from app.store.pages.view_mail import MessageBody, MessageView
from app.web.dependencies import AppSettings, Store
from app.web.inputs.parameters import LARGEST_ID, RowId
from app.web.server.templating import Render

router = APIRouter()

_MAIL_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'self'; sandbox"


@router.get("/mail", response_class=HTMLResponse)
def mail(
    render: Render,
    database: Store,
    state: Literal["", "queued", "sent", "failed"] = "",
    before: Annotated[int | None, Query(ge=1, le=LARGEST_ID)] = None,
) -> HTMLResponse:
    """Messages, newest first."""
    page = mail_page(database, state or None, before)
    return render("mail.html", page=page, state=state)


@router.get("/mail/{message_id}", response_class=HTMLResponse)
def one(render: Render, database: Store, message_id: RowId) -> HTMLResponse:
    """One message: state, text and HTML."""
    view, body = _find(database, message_id)
    return render("mail_one.html", message=view, body=body)


@router.get("/mail/{message_id}/html")
def as_html(database: Store, message_id: RowId) -> HTMLResponse:
    """The HTML part alone, for the sandboxed frame: no script, no form, nothing loaded from elsewhere."""
    _, body = _find(database, message_id)
    return HTMLResponse(
        body.html, headers={"Content-Security-Policy": _MAIL_POLICY, "X-Frame-Options": "SAMEORIGIN"}
    )


@router.get("/mail/{message_id}/mail.eml")
def as_file(database: Store, settings: AppSettings, message_id: RowId) -> Response:
    """The message as a file that mail programs open."""
    view, body = _find(database, message_id)
    try:
        file = as_eml(view, body, settings.mail_from)
    except DeliveryError as error:
        detail = f"There is no file of message {message_id}, since it could not be sent: {error}."
        raise HTTPException(409, detail) from error
    return Response(
        file,
        media_type="message/rfc822",
        headers={"Content-Disposition": f'attachment; filename="ullage-{message_id}.eml"'},
    )


def _find(database: Database, message_id: int) -> tuple[MessageView, MessageBody]:
    found = one_mail(database, message_id)
    if found is None:
        raise HTTPException(404, f"There is no message {message_id}.")
    return found
