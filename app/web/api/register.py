"""Registering and reading the fleet over HTTP with a registrar's key."""

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Path, Response
from pydantic import BaseModel

from app.domain.model import SourceKind
from app.intake.registering.fields import CODE_PATTERN
from app.intake.registering.things import (
    AssetBody,
    AssetEntry,
    ContactBody,
    ContactEntry,
    InstrumentBody,
    InstrumentEntry,
    LaboratoryBody,
    LaboratoryEntry,
    SiteBody,
    SiteEntry,
)
from app.intake.strict_json import inlined
from app.services.registering import register
from app.services.registering.register import UnknownReferenceError
from app.store.database import Database
from app.store.registering import fleet, source_lookup
from app.web.api import keys as api_keys
from app.web.api import maintenance as api_maintenance
from app.web.api.callers import registrar, registrar_body
from app.web.api.registering import not_there, parsed
from app.web.dependencies import Store
from app.web.server.problems import Problem, responses

router = APIRouter(tags=["fleet"], dependencies=[Depends(registrar)])
router.include_router(api_keys.router)
router.include_router(api_maintenance.router)

Code = Annotated[str, Path(pattern=CODE_PATTERN, description="the owner's code of it")]
Body = Annotated[bytes, Depends(registrar_body)]
Upserted = Literal["created", "changed", "unchanged"]


class Registered(BaseModel):
    """What became of a registration: ``created`` (201), ``changed`` or ``unchanged`` (200)."""

    code: str
    result: Upserted


def _put(kind: type[BaseModel], example: dict[str, Any]) -> dict[str, Any]:
    """Arguments of a registering route."""
    content = {"schema": inlined(kind.model_json_schema()), "example": example}
    created = {"description": "Registered anew", "model": Registered}
    return {
        "response_model": Registered,
        "responses": {201: created, **responses(400, 401, 403, 409, 413, 415, 422)},
        "openapi_extra": {"requestBody": {"required": True, "content": {"application/json": content}}},
    }


_READ: dict[str, Any] = {"responses": responses(401, 403, 404, 422)}
_LIST: dict[str, Any] = {"responses": responses(401, 403)}


def _answer(response: Response, code: str, result: Upserted) -> Registered:
    response.status_code = 201 if result == "created" else 200
    return Registered(code=code, result=result)


def _missing(error: UnknownReferenceError) -> Problem:
    reason = f"no {error.kind} {error.code} is registered; register it first"
    return Problem(409, reason, [(error.kind, reason)])


@router.put(
    "/sites/{code}", summary="Register a site", **_put(SiteBody, {"name": "Kelder", "time_zone": "CET"})
)
def put_site(code: Code, body: Body, database: Store, response: Response) -> Registered:
    """Register a site, or change what is registered of it."""
    return _answer(response, code, register.register_site(database, parsed(body, SiteBody).site(code)))


@router.get("/sites", summary="All sites", **_LIST)
def get_sites(database: Store) -> list[SiteEntry]:
    """All sites by their codes."""
    with database.read() as connection:
        return [SiteEntry.describing(site) for site in fleet.all_sites(connection)]


@router.get("/sites/{code}", summary="One site", **_READ)
def get_site(code: Code, database: Store) -> SiteEntry:
    """A site by its code."""
    with database.read() as connection:
        for site in fleet.all_sites(connection):
            if site.code == code:
                return SiteEntry.describing(site)
    raise not_there("site", code)


_ASSET_EXAMPLE = {
    "name": "Kelder transformer 1",
    "site": "KEL",
    "serial": "007",
    "year_energized": 1998,
    "rated_kv": 132,
    "preservation": "free_breathing",
    "compartments": [{"name": "main", "kind": "main_tank", "oil_volume_l": 18000}],
}


@router.put("/assets/{code}", summary="Register an asset", **_put(AssetBody, _ASSET_EXAMPLE))
def put_asset(code: Code, body: Body, database: Store, response: Response) -> Registered:
    """Register a transformer or reactor with its compartments, all or nothing."""
    asset, parts = parsed(body, AssetBody).asset(code)
    try:
        return _answer(response, code, register.register_asset(database, asset, parts))
    except UnknownReferenceError as error:
        raise _missing(error) from None


@router.get("/assets", summary="All assets", **_LIST)
def get_assets(database: Store) -> list[AssetEntry]:
    """All assets by their codes."""
    with database.read() as connection:
        found = fleet.assets_with_compartments(connection)
    return [AssetEntry.describing_whole(*pair) for pair in found]


@router.get("/assets/{code}", summary="One asset", **_READ)
def get_asset(code: Code, database: Store) -> AssetEntry:
    """An asset by the owner's code, with its compartments."""
    with database.read() as connection:
        found = fleet.find_asset(connection, code)
    if found is None:
        raise not_there("asset", code)
    return AssetEntry.describing_whole(*found)


def _refuse_other_kind(database: Database, code: str, kind: SourceKind) -> None:
    """Instruments and laboratories share their codes: one must not become the other."""
    with database.read() as connection:
        found = source_lookup.find_source(connection, code)
    if found is not None and found.source.kind is not kind:
        reason = f"{code} is the code of the {found.source.kind.value} '{found.source.name}'; choose another"
        raise Problem(409, reason, [("code", reason)])


_LABORATORY_EXAMPLE = {"name": "Quillfen Oil Laboratory", "profile": "quillfen"}


@router.put(
    "/laboratories/{code}", summary="Register a laboratory", **_put(LaboratoryBody, _LABORATORY_EXAMPLE)
)
def put_laboratory(code: Code, body: Body, database: Store, response: Response) -> Registered:
    """Register a laboratory and the profile that its files are read by."""
    source = parsed(body, LaboratoryBody).source(code)
    _refuse_other_kind(database, code, source.kind)
    return _answer(response, code, register.register_source(database, source))


@router.get("/laboratories", summary="All laboratories", **_LIST)
def get_laboratories(database: Store) -> list[LaboratoryEntry]:
    """All laboratories by their codes."""
    with database.read() as connection:
        found = source_lookup.all_sources(connection, SourceKind.LABORATORY)
    return [LaboratoryEntry.describing(source) for source in found]


@router.get("/laboratories/{code}", summary="One laboratory", **_READ)
def get_laboratory(code: Code, database: Store) -> LaboratoryEntry:
    """A laboratory by its code."""
    with database.read() as connection:
        found = source_lookup.find_source(connection, code)
    if found is None or found.source.kind is not SourceKind.LABORATORY:
        raise not_there("laboratory", code)
    return LaboratoryEntry.describing(found.source)


_INSTRUMENT_EXAMPLE = {"name": "Monitor on Kelder 1", "asset": "KEL-T1", "compartments": ["main"]}


@router.put(
    "/instruments/{code}", summary="Register an instrument", **_put(InstrumentBody, _INSTRUMENT_EXAMPLE)
)
def put_instrument(code: Code, body: Body, database: Store, response: Response) -> Registered:
    """Register an on-line gas monitor on a registered asset."""
    source = parsed(body, InstrumentBody).source(code)
    _refuse_other_kind(database, code, source.kind)
    try:
        return _answer(response, code, register.register_source(database, source))
    except UnknownReferenceError as error:
        raise _missing(error) from None


@router.get("/instruments", summary="All instruments", **_LIST)
def get_instruments(database: Store) -> list[InstrumentEntry]:
    """All instruments by their codes."""
    with database.read() as connection:
        found = source_lookup.all_sources(connection, SourceKind.INSTRUMENT)
    return [InstrumentEntry.describing(source) for source in found]


@router.get("/instruments/{code}", summary="One instrument", **_READ)
def get_instrument(code: Code, database: Store) -> InstrumentEntry:
    """An instrument by its code."""
    with database.read() as connection:
        found = source_lookup.find_source(connection, code)
    if found is None or found.source.kind is not SourceKind.INSTRUMENT:
        raise not_there("instrument", code)
    return InstrumentEntry.describing(found.source)


_CONTACT_EXAMPLE = {"name": "Maintenance planner", "email": "planner@example.org", "sites": ["KEL"]}


@router.put("/contacts/{code}", summary="Register a contact", **_put(ContactBody, _CONTACT_EXAMPLE))
def put_contact(code: Code, body: Body, database: Store, response: Response) -> Registered:
    """Register whom to mail about the alerts of some sites."""
    contact = parsed(body, ContactBody).contact(code)
    try:
        return _answer(response, code, register.register_contact(database, contact))
    except UnknownReferenceError as error:
        raise _missing(error) from None


@router.get("/contacts", summary="All contacts", **_LIST)
def get_contacts(database: Store) -> list[ContactEntry]:
    """All contacts by their codes."""
    with database.read() as connection:
        return [ContactEntry.describing(contact) for contact in fleet.all_contacts(connection)]


@router.get("/contacts/{code}", summary="One contact", **_READ)
def get_contact(code: Code, database: Store) -> ContactEntry:
    """A contact by its code."""
    with database.read() as connection:
        for contact in fleet.all_contacts(connection):
            if contact.code == code:
                return ContactEntry.describing(contact)
    raise not_there("contact", code)
