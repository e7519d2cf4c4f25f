"""Keys of instruments over HTTP with a registrar's key."""

from datetime import datetime, timedelta
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Path, Response
from pydantic import BaseModel, Field

from app.intake.registering.fields import CODE_PATTERN
from app.intake.registering.key_bodies import KeyBody, moment_of
from app.intake.strict_json import inlined
from app.services.registering.keys import (
    KeyRecord,
    KeyRefusedError,
    KeyWish,
    issue_key,
    list_keys,
    revoke_key,
    rotate_keys,
)
from app.store.registering.registration import UnknownReferenceError
from app.web.api.callers import optional_registrar_body
from app.web.api.registering import not_there, parsed
from app.web.dependencies import Now, Store
from app.web.server.problems import Problem, responses

router = APIRouter()

Code = Annotated[str, Path(pattern=CODE_PATTERN, description="the owner's code of the instrument")]
Prefix = Annotated[
    str, Path(pattern="^[0-9a-f]{8}$", description="what stands between `ull_` and the next `_`")
]
Body = Annotated[bytes, Depends(optional_registrar_body)]


class IssuedKey(BaseModel):
    """A new key. It is shown this once; only a digest of it is kept."""

    instrument: str
    key: str
    expires_at: datetime | None = None
    ending: list[str] = Field(default=[], description="prefixes of the older keys that end at `they_end_at`")
    they_end_at: datetime | None = None


class KeyTold(BaseModel):
    """What is known of a key; the key itself is not kept."""

    prefix: str
    label: str
    state: Literal["good", "expired", "revoked"]
    created_at: datetime
    last_used_at: datetime | None = Field(description="to ten minutes")
    expires_at: datetime | None
    revoked_at: datetime | None


def _told(key: KeyRecord, now: datetime) -> KeyTold:
    return KeyTold(
        prefix=key.prefix,
        label=key.label,
        state=key.state(now),
        created_at=key.created_at,
        last_used_at=key.last_used_at,
        expires_at=key.expires_at,
        revoked_at=key.revoked_at,
    )


_BODY: dict[str, Any] = {
    "requestBody": {
        "required": False,
        "content": {
            "application/json": {
                "schema": inlined(KeyBody.model_json_schema()),
                "example": {"label": "gateway 2026", "overlap_hours": 24},
            }
        },
    }
}


@router.post(
    "/instruments/{code}/keys",
    status_code=201,
    summary="Issue a key",
    responses=responses(400, 401, 403, 404, 413, 415, 422),
    openapi_extra=_BODY,
)
def post_key(code: Code, body: Body, database: Store, at: Now, response: Response) -> IssuedKey:
    """A new key for an instrument. Keys issued before stay good until they expire or are revoked; with
    ``overlap_hours`` they end after that time."""
    wanted = parsed(body, KeyBody)
    wish = KeyWish(wanted.label or "", moment_of(wanted.expires_at))
    try:
        if wanted.overlap_hours is None:
            new = issue_key(database, code, at, wish)
        else:
            new = rotate_keys(database, code, at, timedelta(hours=wanted.overlap_hours), wish)
    except UnknownReferenceError:
        raise not_there("instrument", code) from None
    except KeyRefusedError as error:
        raise Problem(422, str(error), [("expires_at", str(error))]) from None
    response.headers["Cache-Control"] = "no-store"
    return IssuedKey(
        instrument=code,
        key=new.key,
        expires_at=new.expires_at,
        ending=list(new.ending),
        they_end_at=new.they_end_at,
    )


@router.get(
    "/instruments/{code}/keys", summary="Keys of an instrument", responses=responses(401, 403, 404, 422)
)
def get_keys(code: Code, database: Store, at: Now) -> list[KeyTold]:
    """The keys of an instrument, oldest first; expired and revoked ones among them."""
    try:
        return [_told(key, at) for key in list_keys(database, code)]
    except UnknownReferenceError:
        raise not_there("instrument", code) from None


@router.delete(
    "/instruments/{code}/keys/{prefix}", summary="Revoke a key", responses=responses(401, 403, 404, 422)
)
def delete_key(code: Code, prefix: Prefix, database: Store, at: Now) -> KeyTold:
    """The key is refused from the next request on. It stays listed; revoking it again changes nothing."""
    try:
        return _told(revoke_key(database, prefix, at, code), at)
    except KeyRefusedError as error:
        raise Problem(404, f"{str(error)[0].upper()}{str(error)[1:]}.") from None
