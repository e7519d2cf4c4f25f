"""When the database is gone, full or busy: 503 with what became of the request and when to come again, not 500."""

from typing import Final

import structlog
from fastapi import FastAPI, Request
from starlette.responses import Response

from app.store.trouble import STORE_ERRORS, WORDS, Trouble, reason_of, trouble_of
from app.web.server.problems import Problem, plain_answer

LOG = structlog.get_logger("ullage.web")
DESCRIPTION: Final = (
    "The database is gone, full or busy. Send it again after `Retry-After` seconds: it does no harm."
)
_NOTHING: Final = "Nothing was stored; send it again later."
_PERHAPS: Final = (
    "Send it again later: nothing was stored, unless the connection was lost at the very end; what was stored then is"
    " not stored twice."
)
_FURTHER: Final = {
    Trouble.FULL: (60, _NOTHING),
    Trouble.FAILING: (60, _NOTHING),
    Trouble.BUSY: (5, _NOTHING),
    Trouble.READ_ONLY: (60, _NOTHING),
    Trouble.GONE: (5, _PERHAPS),
}
"""Seconds after which to come again, and what became of the request."""


def install(app: FastAPI) -> None:
    """Answer for the database's troubles; its other errors stay errors of ours."""
    for kind in STORE_ERRORS:
        app.add_exception_handler(kind, _on_store_error)


def _on_store_error(request: Request, error: Exception) -> Response:
    trouble = trouble_of(error)
    if trouble is None:
        raise error
    LOG.error(
        "the database is in trouble",
        trouble=trouble.value,
        reason=reason_of(error),
        method=request.method,
        path=request.url.path,
    )
    seconds, further = _FURTHER[trouble]
    words = f"{WORDS[trouble][0].upper()}{WORDS[trouble][1:]}. {further}"
    # plain: what stands around a page is read from the database
    return plain_answer(request, Problem(503, words, headers={"Retry-After": str(seconds)}))
