"""What the interface's endpoints ask for besides: who is calling, and the bounded body."""

from typing import Annotated

from fastapi import Depends, Request, Security
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer

from app.services.registering.authenticate import authenticate
from app.store.registering.keys import KeyHolder
from app.store.registering.source_lookup import StoredSource
from app.web.api.bodies import read_json_body
from app.web.dependencies import AppPostRate, AppSettings, Now, Store
from app.web.server.problems import Problem

_bearer = HTTPBearer(
    auto_error=False,
    scheme_name="key",
    description="`Authorization: Bearer <key>`: an instrument's key to post samples, a registrar's for the rest.",
)


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
    request: Request, holder: Annotated[KeyHolder, Depends(key_holder)], rate: AppPostRate
) -> StoredSource:
    """The instrument whose key it is. 403 for a key of another scope, 429 when it posts too often."""
    if holder.source is None:
        raise _forbidden("Samples are posted with an instrument's key; this one is a registrar's.")
    request.state.instrument = holder.source.source.code  # for the log
    too_often = rate.count(holder.source)
    if too_often is not None:
        raise Problem(429, str(too_often), headers={"Retry-After": str(too_often.seconds)})
    return holder.source


async def registrar(holder: Annotated[KeyHolder, Depends(key_holder)]) -> KeyHolder:
    """A registrar's key. 403 for a key of another scope."""
    if holder.scope != "registrar":
        raise _forbidden("This needs a registrar's key; this one is an instrument's.")
    return holder


async def instrument_body(
    request: Request,
    _source: Annotated[StoredSource, Depends(posting_instrument)],  # nothing is read for strangers
    settings: AppSettings,
) -> bytes:
    """The posted bytes of a JSON body; see :func:`~app.web.api.bodies.read_json_body`."""
    return await read_json_body(request, settings.max_body_bytes)


async def registrar_body(
    request: Request, _holder: Annotated[KeyHolder, Depends(registrar)], settings: AppSettings
) -> bytes:
    """Like :func:`instrument_body`, for the registrar."""
    return await read_json_body(request, settings.max_body_bytes)


async def optional_registrar_body(
    request: Request, _holder: Annotated[KeyHolder, Depends(registrar)], settings: AppSettings
) -> bytes:
    """Like :func:`registrar_body`, and an empty object when nothing was sent."""
    sent = request.headers.get("content-length", "0") != "0" or "transfer-encoding" in request.headers
    return await read_json_body(request, settings.max_body_bytes) if sent else b"{}"
