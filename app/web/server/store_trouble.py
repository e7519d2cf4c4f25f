"""When the database is gone, full or busy: 503 with what became of the request and when to come again, not 500."""

from typing import Final

import structlog
from fastapi import FastAPI, Request
from starlette.responses import Response

from app.store.trouble import STORE_ERRORS, Trouble, trouble_of
from app.web.server.problems import Problem, plain_answer

LOG = structlog.get_logger("ullage.web")
DESCRIPTION: Final = (
    "The database is gone, full or busy. Send it again after `Retry-After` seconds: it does no harm."
)
NOTHING: Final = "Nothing was stored; send it again later."
_WORDS: Final = {
    Trouble.FULL: (60, f"The disk of the database is full. {NOTHING}"),
    Trouble.FAILING: (60, f"The disk of the database cannot be read or written. {NOTHING}"),
    Trouble.BUSY: (5, f"The database is busy: others hold what this request needs. {NOTHING}"),
    Trouble.READ_ONLY: (60, f"The database takes no changes at the moment. {NOTHING}"),
    Trouble.GONE: (
        5,
        "The database cannot be reached. Send it again later: nothing was stored, unless the connection was lost at"
        " the very end; what was stored then is not stored twice.",
    ),
}
"""Seconds after which to come again, and what to say."""


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
        reason=_first_line(error),
        method=request.method,
        path=request.url.path,
    )
    seconds, words = _WORDS[trouble]
    # plain: what stands around a page is read from the database
    return plain_answer(request, Problem(503, words, headers={"Retry-After": str(seconds)}))


def _first_line(error: Exception) -> str:
    """What the driver said, without the statement and its parameters."""
    return str(getattr(error, "orig", None) or error).strip().partition("\n")[0][:300]
