"""Texts in JSON that no database takes (NUL, half characters) are refused by field, on both databases."""

import json
from typing import Any

import pytest
from api_cast import load_cast

from app.store.database import Database

BODIES: dict[str, dict[str, Any]] = {
    "sites": {"name": "North Yard", "time_zone": "UTC"},
    "assets": {
        "name": "Unit",
        "site": "KEL",
        "serial": "S-9",
        "manufacturer": "Maker",
        "norm_set": "ieee_c57_104_2019",
    },
    "laboratories": {"name": "Laboratory", "profile": "quillfen"},
    "instruments": {"name": "Monitor", "asset": "KEL-T1", "compartments": ["main"]},
    "contacts": {"name": "Planner", "email": "planner@example.org", "sites": ["KEL"]},
}
BAD = ["a\0b", "\ud800", "a\udfffb"]


@pytest.mark.parametrize("bad", BAD, ids=ascii)
@pytest.mark.parametrize("kind", sorted(BODIES))
def test_registered_texts_are_text(database: Database, kind: str, bad: str) -> None:
    cast = load_cast(database)
    for field, good in BODIES[kind].items():
        body = {**BODIES[kind], field: [bad] if isinstance(good, list) else bad}
        headers = {**cast.auth(cast.registrar_key), "Content-Type": "application/json"}
        answer = cast.client.put(f"/api/v1/{kind}/NEW", content=json.dumps(body), headers=headers)
        assert answer.status_code in {400, 409, 422}, (field, answer.status_code, answer.text)
        assert answer.json()["errors"], field
        listed = cast.client.get(f"/api/v1/{kind}", headers=headers).json()
        assert "NEW" not in {row["code"] for row in listed}


@pytest.mark.parametrize("bad", BAD, ids=ascii)
def test_posted_texts_are_text(database: Database, bad: str) -> None:
    cast = load_cast(database)
    good = {"taken_at": "2026-03-01T06:00:00Z", "compartment": "main", "h2": 20}
    for sample in ({**good, name: bad} for name in (*good, "remark", "laboratory_number", bad)):
        headers = {**cast.auth(), "Content-Type": "application/json"}
        answer = cast.client.post(
            "/api/v1/samples", content=json.dumps({"samples": [sample]}), headers=headers
        )
        assert answer.status_code in {400, 422}, (sample, answer.status_code, answer.text)
        assert answer.json()["errors"]
