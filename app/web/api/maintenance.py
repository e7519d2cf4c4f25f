"""Maintenance of instruments over HTTP with a registrar's key."""

from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Path
from pydantic import BaseModel

from app.domain.recording.maintenance import Spell
from app.intake.registering.fields import CODE_PATTERN
from app.intake.registering.key_bodies import SpellBody, moment_of
from app.intake.strict_json import inlined
from app.services.registering import maintenance
from app.services.registering.maintenance import MaintenanceError, StoredSpell
from app.store.registering.registration import UnknownReferenceError
from app.web.api.callers import registrar_body
from app.web.api.registering import not_there, parsed
from app.web.dependencies import Now, Store
from app.web.server.problems import Problem, responses

router = APIRouter()

Code = Annotated[str, Path(pattern=CODE_PATTERN, description="the owner's code of the instrument")]
Body = Annotated[bytes, Depends(registrar_body)]


class SpellTold(BaseModel):
    """From when to when an instrument is in maintenance: up to, not including, ``ends_at``."""

    begins_at: datetime
    ends_at: datetime | None
    author: str
    note: str


def _told(stored: StoredSpell) -> SpellTold:
    spell = stored.spell
    return SpellTold(begins_at=spell.begins_at, ends_at=spell.ends_at, author=stored.author, note=stored.note)


_BODY: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {
            "application/json": {
                "schema": inlined(SpellBody.model_json_schema()),
                "example": {"author": "R. Quist", "note": "carrier gas changed"},
            }
        },
    }
}


@router.post(
    "/instruments/{code}/maintenance",
    status_code=201,
    summary="Begin maintenance",
    responses=responses(400, 401, 403, 404, 409, 413, 415, 422),
    openapi_extra=_BODY,
)
def begin_maintenance(code: Code, body: Body, database: Store, at: Now) -> SpellTold:
    """What the instrument measures from then on is kept and not judged. It may be planned, or told afterwards;
    samples that are in the record already keep their verdict."""
    wanted = parsed(body, SpellBody)
    spell = Spell(moment_of(wanted.begins_at) or at, moment_of(wanted.ends_at))
    if spell.ends_at is not None and spell.ends_at <= spell.begins_at:
        reason = "must be after begins_at, or after now where that is not given"
        raise Problem(422, f"ends_at: {reason}", [("ends_at", reason)])
    try:
        return _told(maintenance.begin(database, code, spell, wanted.author, wanted.note))
    except UnknownReferenceError:
        raise not_there("instrument", code) from None
    except MaintenanceError as error:
        raise Problem(409, str(error), [("begins_at", str(error))]) from None


@router.post(
    "/instruments/{code}/maintenance/end",
    summary="End maintenance",
    responses=responses(401, 403, 404, 409, 422),
)
def end_maintenance(code: Code, database: Store, at: Now) -> SpellTold:
    """End the maintenance that goes on; where none does, call off the next that is planned."""
    try:
        return _told(maintenance.end(database, code, at))
    except UnknownReferenceError:
        raise not_there("instrument", code) from None
    except MaintenanceError as error:
        raise Problem(409, str(error)) from None


@router.get(
    "/instruments/{code}/maintenance",
    summary="Maintenance of an instrument",
    responses=responses(401, 403, 404, 422),
)
def get_maintenance(code: Code, database: Store) -> list[SpellTold]:
    """Every spell, oldest first; one that was called off ends when it begins."""
    try:
        return [_told(stored) for stored in maintenance.spells_of(database, code)]
    except UnknownReferenceError:
        raise not_there("instrument", code) from None
