"""What endpoints ask for: settings, the database, the time, who is calling, and the bounded body.

What neither reads nor waits is ``async``: anything else is handed to a thread and back for each request.
"""

from datetime import datetime
from typing import Annotated

from fastapi import Depends, Request, Security
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer

from app.config import Settings
from app.services.registering.authenticate import authenticate
from app.store.database import Database
from app.store.registering.keys import KeyHolder
from app.store.registering.source_lookup import StoredSource
from app.web.api.bodies import read_json_body
from app.web.api.rate_limit import post_rate
from app.web.server.clock import now_of
from app.web.server.problems import Problem

_bearer = HTTPBearer(
    auto_error=False,
    scheme_name="key",
    description="`Authorization: Bearer <key>`: an instrument's key to post samples, a registrar's for the rest.",
)


async def get_settings(request: Request) -> Settings:
    settings: Settings = request.app.state.settings
    return settings


async def get_database(request: Request) -> Database:
    database: Database = request.app.state.database
    return database


async def now(request: Request) -> datetime:
    """The one reading of the clock for a request."""
    return now_of(request)


AppSettings = Annotated[Settings, Depends(get_settings)]
Store = Annotated[Database, Depends(get_database)]
Now = Annotated[datetime, Depends(now)]


def key_holder(
    credentials: Annotated[HTTPAuthorizationCredentials | None, Security(_bearer)], database: Store, at: Now
) -> KeyHolder:
    """Whose key came with the request. 401 when none or a bad one did."""
    if credentials is None:
        raise _unauthorized("Give a key in the header 'Authorization: Bearer <key>'.", "")
    holder = authenticate(database, credentials.credentials, at)
    if holder is None:
        raise _unauthorized(
            "The key is not known, or was revoked, or has expired.", ', error="invalid_token"'
        )
    return holder


def _unauthorized(detail: str, error: str) -> Problem:
    return Problem(401, detail, headers={"WWW-Authenticate": f'Bearer realm="ullage"{error}'})


def _forbidden(detail: str) -> Problem:
    header = 'Bearer realm="ullage", error="insufficient_scope"'  # RFC 6750, 3.1
    return Problem(403, detail, headers={"WWW-Authenticate": header})


async def posting_instrument(
    request: Request, holder: Annotated[KeyHolder, Depends(key_holder)]
) -> StoredSource:
    """The instrument whose key it is. 403 for a key of another scope, 429 when it posts too often."""
    if holder.source is None:
        raise _forbidden("Samples are posted with an instrument's key; this one is a registrar's.")
    request.state.instrument = holder.source.source.code  # for the log
    post_rate(request.app).count(holder.source)
    return holder.source


async def registrar(holder: Annotated[KeyHolder, Depends(key_holder)]) -> KeyHolder:
    """A registrar's key. 403 for a key of another scope."""
    if holder.scope != "registrar":
        raise _forbidden("This needs a registrar's key; this one is an instrument's.")
    return holder


async def instrument_body(
    request: Request,
    _source: Annotated[StoredSource, Depends(posting_instrument)],  # nothing is read for strangers
) -> bytes:
    """The posted bytes of a JSON body; see :func:`~app.web.api.bodies.read_json_body`."""
    return await read_json_body(request)


async def registrar_body(request: Request, _holder: Annotated[KeyHolder, Depends(registrar)]) -> bytes:
    """Like :func:`instrument_body`, for the registrar."""
    return await read_json_body(request)


async def optional_registrar_body(
    request: Request, _holder: Annotated[KeyHolder, Depends(registrar)]
) -> bytes:
    """Like :func:`registrar_body`, and an empty object when nothing was sent."""
    sent = request.headers.get("content-length", "0") != "0" or "transfer-encoding" in request.headers
    return await read_json_body(request) if sent else b"{}"
