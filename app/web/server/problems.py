"""Errors as answers: problem details (RFC 9457) for programs, a page for people, never a bare stack trace.

Everything under ``/api`` and every client that does not ask for HTML gets ``application/problem+json``.
"""

import json
import secrets
import traceback
from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import Any, Final

import structlog
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from jinja2 import TemplateNotFound
from markupsafe import escape
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response

from app.errors import RefusedError
from app.intake.strict_json import inlined
from app.web.dependencies import clock_of, database_of
from app.web.server.security import add_headers
from app.web.server.templating import Renderer

MEDIA_TYPE: Final = "application/problem+json"
LOG = structlog.get_logger("ullage.web")


class FieldError(BaseModel):
    """One thing that is wrong: where it stands, and why it cannot be taken and how to mend it."""

    field: str = Field(examples=["samples[3].h2"])
    reason: str = Field(examples=["hydrogen cannot be negative (-1 µL/L)"])


class ProblemDetails(BaseModel):
    """Problem details of RFC 9457, with the fields that are wrong."""

    type: str = Field(examples=["about:blank"])
    title: str = Field(examples=["Unprocessable Content"])
    status: int = Field(examples=[422])
    detail: str
    errors: list[FieldError] = []
    request_id: str | None = Field(
        default=None, description="quote it when asking for help: it is in the server's log too"
    )


class Problem(RefusedError):  # noqa: N818 - it is what RFC 9457 calls it
    """Raise it anywhere in an endpoint to answer with it.

    Attributes:
        status: HTTP status, 400-599.
        detail: what is wrong and how to mend it.
        errors: (field, reason) of each thing that is wrong.
        headers: headers of the answer, e.g. ``WWW-Authenticate``.
    """

    def __init__(
        self,
        status: int,
        detail: str,
        errors: Sequence[tuple[str, str]] = (),
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(detail)
        self.status = status
        self.detail = detail
        self.errors = errors
        self.headers = dict(headers or {})


def install(app: FastAPI) -> None:
    """Make the application answer all its errors this way."""
    app.add_exception_handler(Problem, _on_problem)
    app.add_exception_handler(HTTPException, _on_http_exception)
    app.add_exception_handler(RequestValidationError, _on_invalid_request)
    app.add_exception_handler(Exception, _on_unhandled)


def _on_problem(request: Request, error: Exception) -> Response:
    assert isinstance(error, Problem)
    return _answer(request, error)


def _on_http_exception(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    detail = error.detail
    if error.status_code == 404 and detail == "Not Found":
        detail = "There is nothing at this address."
    elif error.status_code == 405:
        detail = f"This address does not answer {request.method}."
    return _answer(request, Problem(error.status_code, str(detail), headers=error.headers))


def _on_invalid_request(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    errors = [(_place(e["loc"]), str(e["msg"])) for e in error.errors()]
    unread = any(e["type"] == "json_invalid" for e in error.errors())
    detail = "; ".join(f"{where}: {reason}" for where, reason in errors[:5])
    return _answer(request, Problem(400 if unread else 422, detail, errors))


def _place(loc: Sequence[object]) -> str:
    """``body.compartments[0].name``, ``query.limit``."""
    text = ""
    for part in loc:
        text += f"[{part}]" if isinstance(part, int) else f".{part}"
    return text.lstrip(".") or "request"


def _on_unhandled(request: Request, error: Exception) -> Response:
    request_id = _request_id(request) or secrets.token_hex(8)
    LOG.error(
        "unhandled error",
        request_id=request_id,
        method=request.method,
        path=request.url.path,
        exception=_traceback(error),
    )
    detail = "The server failed at this request. It is written in the server's log under this request id."
    request.state.request_id = request_id
    answer = _answer(request, Problem(500, detail))
    # it is made outside of the middleware that adds these
    answer.headers["X-Request-ID"] = request_id
    add_headers(answer.headers, request.url.path)
    return answer


def _request_id(request: Request) -> str | None:
    """The id that ``app.web.server.request_log`` gave the request."""
    found: str | None = getattr(request.state, "request_id", None)
    return found


def _traceback(error: Exception) -> str:
    """As text: structlog's own rendering adds the local variables, and keys with them."""
    return "".join(traceback.format_exception(error))


def _answer(request: Request, problem: Problem) -> Response:
    title = HTTPStatus(problem.status).phrase
    if _wants_page(request):
        page = _page(request, problem, title, _request_id(request))
        page.headers.update(problem.headers)
        return page
    return _details(problem, title, _request_id(request))


def plain_answer(request: Request, problem: Problem) -> Response:
    """The problem without anything around it: for strangers, and for when no page can be drawn."""
    title = HTTPStatus(problem.status).phrase
    if not _wants_page(request):
        return _details(problem, title, _request_id(request))
    lines = [f"{problem.status} {title}", problem.detail]
    return HTMLResponse(_plain_page(lines), problem.status, problem.headers)


def _details(problem: Problem, title: str, request_id: str | None = None) -> Response:
    body: dict[str, Any] = {
        "type": "about:blank",
        "title": title,
        "status": problem.status,
        "detail": problem.detail,
    }
    if problem.errors:
        body["errors"] = [{"field": where, "reason": reason} for where, reason in problem.errors]
    if request_id:
        body["request_id"] = request_id
    # ASCII only: a lone surrogate from a foreign text has no UTF-8 form
    content = json.dumps(body).encode("ascii")
    return Response(content, problem.status, problem.headers, MEDIA_TYPE)


def _wants_page(request: Request) -> bool:
    return not request.url.path.startswith("/api/") and "text/html" in request.headers.get("accept", "")


def _page(request: Request, problem: Problem, title: str, request_id: str | None) -> Response:
    try:
        render = Renderer(request, database_of(request), clock_of(request))
        return render(
            "error.html",
            problem.status,
            status=problem.status,
            title=title,
            detail=problem.detail,
            errors=problem.errors,
            request_id=request_id,
        )
    except Exception as error:  # noqa: BLE001 - an error page must not fail because the database does
        if not isinstance(error, TemplateNotFound):
            LOG.warning("the error page could not be drawn", exception=_traceback(error))
    lines = [f"{problem.status} {title}", problem.detail, *(f"{w}: {r}" for w, r in problem.errors)]
    if request_id:
        lines.append(f"Request id: {request_id}")
    return HTMLResponse(_plain_page(lines), problem.status)


def _plain_page(lines: Sequence[str]) -> str:
    body = "".join(f"<p>{escape(line)}</p>" for line in lines)
    return f'<!doctype html><html lang="en"><title>{escape(lines[0])}</title><body>{body}</body></html>'


def responses(*statuses: int, **described: str) -> dict[int | str, dict[str, Any]]:
    """What the interface's description says of these error statuses.

    ``described`` gives a text for a status as ``s404="..."``.
    """
    schema = inlined(ProblemDetails.model_json_schema())
    return {
        status: {
            "description": described.get(f"s{status}", _DESCRIPTIONS.get(status, HTTPStatus(status).phrase)),
            "content": {MEDIA_TYPE: {"schema": schema}},
        }
        for status in statuses
    }


_DESCRIPTIONS: Final = {
    400: "The body cannot be read: not JSON in UTF-8, nested too deep, or damaged gzip.",
    401: "No key, or one that is unknown, revoked or expired.",
    403: "The key is a good one, but not for this.",
    404: "Nothing of that name is registered.",
    409: "It refers to something that is not registered, or contradicts what is.",
    413: "The body is larger than allowed, or holds too many samples.",
    415: "The body is not declared as application/json, or is packed otherwise than with gzip.",
    422: "The body was read but what it says cannot be taken; `errors` names the fields.",
    429: "The instrument posts more often than it may; the header Retry-After says when to come again.",
}
