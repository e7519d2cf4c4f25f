"""What endpoints ask for: settings, the database, the time, who is calling, and the bounded body."""

from datetime import UTC, datetime
from typing import Annotated

from fastapi import Depends, Request, Security
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer
from starlette.requests import ClientDisconnect

from app.config import Settings
from app.services.authenticate import authenticate
from app.store import fleet
from app.store.database import Database
from app.store.keys import KeyHolder
from app.web.forms import declared_length
from app.web.problems import Problem

_bearer = HTTPBearer(
    auto_error=False,
    scheme_name="key",
    description="`Authorization: Bearer <key>`: an instrument's key to post samples, a registrar's for the rest.",
)


def get_settings(request: Request) -> Settings:
    settings: Settings = request.app.state.settings
    return settings


def get_database(request: Request) -> Database:
    database: Database = request.app.state.database
    return database


def now() -> datetime:
    """The one reading of the clock for a request."""
    return datetime.now(UTC)


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


def posting_instrument(
    request: Request, holder: Annotated[KeyHolder, Depends(key_holder)], database: Store
) -> fleet.StoredSource:
    """The instrument whose key it is. 403 for a key of another scope."""
    if holder.scope != "instrument" or holder.source_code is None:
        raise _forbidden("Samples are posted with an instrument's key; this one is a registrar's.")
    with database.read() as connection:
        found = fleet.find_source(connection, holder.source_code)
    if found is None:
        raise _forbidden("The instrument of this key is no longer registered.")
    request.state.instrument = found.source.code  # for the log
    return found


def registrar(holder: Annotated[KeyHolder, Depends(key_holder)]) -> KeyHolder:
    """A registrar's key. 403 for a key of another scope."""
    if holder.scope != "registrar":
        raise _forbidden("This needs a registrar's key; this one is an instrument's.")
    return holder


async def _json_body(request: Request) -> bytes:
    media_type = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if media_type != "application/json":
        detail = f"Send the body with 'Content-Type: application/json', not {media_type or 'none'!r}."
        raise Problem(415, detail, headers={"Accept-Post": "application/json"})
    coding = request.headers.get("content-encoding", "identity").strip().lower()
    if coding != "identity":
        raise Problem(
            415, f"Send the body as it is, not encoded ({coding!r}).", headers={"Accept-Encoding": "identity"}
        )
    limit: int = request.app.state.settings.max_body_bytes
    too_large = Problem(413, f"The body is larger than {limit} bytes; send the samples in several posts.")
    if (declared_length(request) or 0) > limit:
        raise too_large
    body = bytearray()
    try:
        async for chunk in request.stream():  # a chunked body declares no length: count what comes
            body += chunk
            if len(body) > limit:
                raise too_large
    except ClientDisconnect:
        raise Problem(400, "The connection was closed before the whole body came.") from None
    return bytes(body)


async def instrument_body(
    request: Request,
    _source: Annotated[fleet.StoredSource, Depends(posting_instrument)],  # nothing is read for strangers
) -> bytes:
    """The posted bytes of a JSON body, at most ``max_body_bytes``. 413 and 415 otherwise."""
    return await _json_body(request)


async def registrar_body(request: Request, _holder: Annotated[KeyHolder, Depends(registrar)]) -> bytes:
    """Like :func:`instrument_body`, for the registrar."""
    return await _json_body(request)
