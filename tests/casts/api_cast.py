"""The small cast of the API's tests: one site, two assets, two instruments, a laboratory, and their keys."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from fastapi.testclient import TestClient
from httpx2 import Response

from app.config import Settings
from app.domain.model import Asset, Compartment, CompartmentKind, Contact, Site, Source, SourceKind
from app.services.registering import register
from app.store.database import Database
from app.web.app import create_app

planner = Contact("PLANNER", "Planner", "planner@example.org", ("KEL",))
NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)


@dataclass
class Cast:
    """A client and the keys to use with it."""

    client: TestClient
    database: Database
    instrument_key: str
    other_key: str
    registrar_key: str

    def post(self, *samples: object, key: str | None = None) -> Response:
        return self.client.post("/api/v1/samples", json={"samples": list(samples)}, headers=self.auth(key))

    def auth(self, key: str | None = None) -> dict[str, str]:
        return {"Authorization": f"Bearer {key or self.instrument_key}"}


def load_cast(database: Database, max_body_bytes: int = 1024 * 1024) -> Cast:
    """Register the cast and build a client over an application of the API alone."""
    register.register_site(database, Site("KEL", "Kelder Yard", "CET"))
    register.register_asset(
        database, Asset("KEL-T1", "Kelder T1", "KEL", serial="007"), (Compartment("KEL-T1", "main"),)
    )
    register.register_asset(
        database,
        Asset("NA", "Kelder T2", "KEL", serial="S-2"),
        (Compartment("NA", "main"), Compartment("NA", "tap_changer", CompartmentKind.TAP_CHANGER)),
    )
    online = SourceKind.INSTRUMENT
    register.register_source(database, Source("MON-1", "Monitor 1", online, "KEL-T1", ("main",), 240))
    register.register_source(
        database, Source("MON-2", "Monitor 2", online, "NA", ("main", "tap_changer"), 240)
    )
    register.register_source(
        database, Source("QUILLFEN", "Quillfen", SourceKind.LABORATORY, profile="quillfen")
    )
    issued = NOW - timedelta(days=1)
    keys = [register.issue_instrument_key(database, code, issued) for code in ("MON-1", "MON-2")]
    registrar = register.issue_registrar_key(database, issued)
    settings = Settings.model_validate({"max_body_bytes": max_body_bytes, "allowed_hosts": "testserver"})
    app = create_app(settings, database)
    return Cast(TestClient(app, raise_server_exceptions=False), database, keys[0], keys[1], registrar)
