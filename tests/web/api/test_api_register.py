"""Registering and reading over HTTP with a registrar's key, as a story: an empty service is filled and read."""

from typing import Any

import pytest
from api_cast import load_cast

from app.store.database import Database


@pytest.fixture
def cast(database: Database) -> Any:
    return load_cast(database)


def put(cast: Any, path: str, body: object, key: str | None = None) -> Any:
    return cast.client.put(f"/api/v1{path}", json=body, headers=cast.auth(key or cast.registrar_key))


def get(cast: Any, path: str, **query: object) -> Any:
    return cast.client.get(f"/api/v1{path}", params=query, headers=cast.auth(cast.registrar_key))


def test_a_fleet_is_registered_and_its_instrument_posts(cast: Any) -> None:
    asset = {
        "name": "Ludmoor reactor",
        "site": "LUD",
        "kind": "reactor",
        "serial": "0815",
        "year_energized": 1999,
        "rated_kv": 220,
        "oil_volume_l": 21000.5,
        "preservation": "sealed",
        "compartments": [{"name": "main"}, {"name": "tap_changer", "kind": "tap_changer"}],
    }
    steps: list[tuple[str, dict[str, Any]]] = [
        ("/sites/LUD", {"name": "Ludmoor", "time_zone": "CET"}),
        ("/assets/LUD-R1", asset),
        ("/laboratories/FENLAB", {"name": "Fen laboratory", "profile": "quillfen"}),
        ("/contacts/planner", {"name": "Planner", "email": "planner@example.org", "sites": ["LUD"]}),
        ("/instruments/LUD-M1", {"name": "Monitor", "asset": "LUD-R1", "compartments": ["main"]}),
    ]
    for path, body in steps:
        first, again = put(cast, path, body), put(cast, path, body)
        assert (first.status_code, first.json()["result"]) == (201, "created"), first.text
        assert (again.status_code, again.json()["result"]) == (200, "unchanged")
        read = get(cast, path)
        assert read.status_code == 200
        told = read.json()
        assert told["code"] == path.rsplit("/", 1)[1]
        assert all(told[name] == value for name, value in body.items() if name != "compartments")
        assert told in get(cast, path.rsplit("/", 1)[0]).json()
    parts = get(cast, "/assets/LUD-R1").json()["compartments"]
    assert [(p["name"], p["kind"]) for p in parts] == [("main", "main_tank"), ("tap_changer", "tap_changer")]
    changed = put(cast, "/sites/LUD", {"name": "Ludmoor West", "time_zone": "CET"})
    assert (changed.status_code, changed.json()["result"]) == (200, "changed")

    issued = cast.client.post("/api/v1/instruments/LUD-M1/keys", headers=cast.auth(cast.registrar_key))
    assert issued.status_code == 201
    assert issued.headers["cache-control"] == "no-store"
    posted = cast.post({"taken_at": "2026-03-01T06:00:00Z", "h2": 12}, key=issued.json()["key"])
    assert posted.json()["outcomes"][0]["result"] == "stored"


def test_an_asset_without_compartments_gets_a_main_tank(cast: Any) -> None:
    assert put(cast, "/assets/KEL-T3", {"name": "Third", "site": "KEL"}).status_code == 201
    assert [p["name"] for p in get(cast, "/assets/KEL-T3").json()["compartments"]] == ["main"]


@pytest.mark.parametrize(
    ("path", "body", "status", "field", "says"),
    [
        ("/sites/X", {"name": "X"}, 422, "time_zone", "is missing"),
        ("/sites/X", {"name": "X", "time_zone": "Middle/Earth"}, 422, "time_zone", "not a time zone"),
        ("/sites/X", {"name": " X", "time_zone": "CET"}, 422, "name", "without spaces at its ends"),
        ("/sites/X", {"name": "a\u0000b", "time_zone": "CET"}, 422, "name", "control characters"),
        ("/sites/X", {"name": 7, "time_zone": "CET"}, 422, "name", "7 is not a text; write it in quotes"),
        ("/sites/X", {"name": "X", "time_zone": "CET", "tz": 1}, 422, "tz", "is not a known key; known are name"),
        ("/sites/X", [], 422, "body", "must be an object with the keys name, time_zone"),
        ("/assets/X", {"name": "X", "site": "NOWHERE"}, 409, "site", "no site NOWHERE is registered"),
        ("/assets/X", {"name": "X", "site": "KEL", "rated_kv": True}, 422, "rated_kv", "true is not a number"),
        ("/assets/X", {"name": "X", "site": "KEL", "rated_kv": "132"}, 422, "rated_kv", "write it without quotes"),
        ("/assets/X", {"name": "X", "site": "KEL", "year_energized": 98}, 422, "year_energized", "1900 and 2100"),
        ("/assets/X", {"name": "X", "site": "KEL", "liquid": "honey"}, 422, "liquid", "mineral_oil"),
        ("/assets/X", {"name": "X", "site": "KEL", "norm_set": "mine"}, 422, "norm_set", "ieee_c57_104_2019"),
        (
            "/assets/X",
            {"name": "X", "site": "KEL", "compartments": [{"name": "a"}, {"name": ""}]},
            422,
            "compartments[1].name",
            "is empty; give a text",
        ),
        ("/laboratories/X", {"name": "X", "profile": "none"}, 422, "profile", "'none' is not one of hollowell"),
        ("/laboratories/MON-1", {"name": "X", "profile": "quillfen"}, 409, "code", "code of the instrument"),
        ("/instruments/QUILLFEN", {"name": "X", "asset": "NA"}, 409, "code", "code of the laboratory"),
        ("/instruments/X", {"name": "X", "asset": "NOPE"}, 409, "asset", "no asset NOPE"),
        (
            "/instruments/X",
            {"name": "X", "asset": "KEL-T1", "compartments": ["tap_changer"]},
            409,
            "compartment",
            "no compartment KEL-T1/tap_changer",
        ),
        ("/contacts/X", {"name": "X", "email": "nobody"}, 422, "email", "not a mail address"),
        ("/contacts/X", {"name": "X", "email": "a@b.example", "sites": ["Q"]}, 409, "site", "no site Q"),
    ],
)  # fmt: skip
def test_what_cannot_be_registered_is_refused_by_field(
    cast: Any, path: str, body: object, status: int, field: str, says: str
) -> None:
    answer = put(cast, path, body)
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    (error,) = answer.json()["errors"]
    assert error["field"] == field
    assert says in error["reason"]
    if path.endswith("/X"):
        assert get(cast, path).status_code == 404


def test_a_key_that_stands_twice_is_refused(cast: Any) -> None:
    headers = {**cast.auth(cast.registrar_key), "Content-Type": "application/json"}
    body = b'{"name": "X", "time_zone": "CET", "name": "Y"}'
    answer = cast.client.put("/api/v1/sites/X", content=body, headers=headers)
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (422, "name")


@pytest.mark.parametrize("code", ["a b", "%00", "%0A", "é", "x" * 64, "-a", "%ED%A0%80"])
def test_what_is_no_code_is_refused(cast: Any, code: str) -> None:
    assert put(cast, f"/sites/{code}", {"name": "X", "time_zone": "CET"}).status_code == 422
    assert get(cast, f"/assets/{code}").status_code == 422
    assert get(cast, f"/assets/{code}/samples").status_code == 422


@pytest.mark.parametrize(
    "path",
    ["/sites", "/sites/KEL", "/assets", "/assets/NA", "/assets/NA/samples", "/assets/NA/assessment",
     "/samples/1", "/laboratories", "/laboratories/QUILLFEN", "/instruments", "/instruments/MON-1", "/contacts"],
)  # fmt: skip
def test_reading_needs_a_registrars_key(cast: Any, path: str) -> None:
    assert cast.client.get(f"/api/v1{path}").status_code == 401
    refused = cast.client.get(f"/api/v1{path}", headers=cast.auth(cast.instrument_key))
    assert refused.status_code == 403
    assert 'error="insufficient_scope"' in refused.headers["www-authenticate"]


def test_an_instruments_key_registers_nothing(cast: Any) -> None:
    answer = put(cast, "/sites/X", {"name": "X", "time_zone": "CET"}, key=cast.instrument_key)
    assert answer.status_code == 403
    assert get(cast, "/sites/X").status_code == 404


def test_what_is_not_registered_is_not_found(cast: Any) -> None:
    for path in ("/sites/Q", "/assets/Q", "/assets/Q/samples", "/assets/Q/assessment", "/samples/999",
                 "/laboratories/MON-1", "/instruments/QUILLFEN", "/contacts/Q"):  # fmt: skip
        assert get(cast, path).status_code == 404, path
    key = cast.client.post("/api/v1/instruments/QUILLFEN/keys", headers=cast.auth(cast.registrar_key))
    assert key.status_code == 404


def _post_days(cast: Any, days: int) -> None:
    samples = [
        {"taken_at": f"2026-02-{day:02}T06:00:00Z", "h2": 10 + day, "c2h2": "<0.5"}
        for day in range(1, days + 1)
    ]
    assert cast.post(*samples).status_code == 200


def test_samples_are_read_a_page_at_a_time_each_once(cast: Any) -> None:
    _post_days(cast, 7)
    seen: list[Any] = []
    query: dict[str, object] = {"limit": 3}
    while True:
        page = get(cast, "/assets/KEL-T1/samples", **query).json()
        seen += page["samples"]
        if page["next_cursor"] is None:
            break
        assert len(page["samples"]) == 3
        query["cursor"] = page["next_cursor"]
    assert [s["readings"]["h2"] for s in seen] == [11, 12, 13, 14, 15, 16, 17]
    assert seen[0]["readings"]["c2h2"] == {"below": 0.5}
    assert seen[0]["taken_at"] == "2026-02-01T06:00:00Z"


def test_samples_are_read_from_until(cast: Any) -> None:
    _post_days(cast, 7)
    window = {"from": "2026-02-03T06:00:00Z", "to": "2026-02-05T06:00:00Z"}
    found = get(cast, "/assets/KEL-T1/samples", **window).json()["samples"]
    assert [s["readings"]["h2"] for s in found] == [13, 14]


def test_a_correction_replaces_what_is_read(cast: Any) -> None:
    _post_days(cast, 1)
    cast.post({"taken_at": "2026-02-01T06:00:00Z", "h2": 99})
    (found,) = get(cast, "/assets/KEL-T1/samples").json()["samples"]
    assert (found["readings"], found["revision"]) == ({"h2": 99.0, "c2h2": {"below": 0.5}}, 2)


def test_a_sample_is_read_with_its_assessment(cast: Any) -> None:
    posted = cast.post({"taken_at": "2026-03-01T06:00:00Z", "h2": 1800, "c2h2": 95, "c2h4": 400, "ch4": 300,
                        "c2h6": 60})  # fmt: skip
    sample_id = posted.json()["outcomes"][0]["sample_id"]
    found = get(cast, f"/samples/{sample_id}").json()
    assert found["assessment"]["status"] == found["status"] == 3
    assert found["assessment"]["findings"]
    (newest,) = get(cast, "/assets/KEL-T1/assessment").json()
    assert newest == found


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ({"from": "yesterday"}, "query.from"),
        ({"from": "2026-01-01T00:00:00"}, "query.from"),
        ({"to": "0001-01-01T00:00:00+14:00"}, "query.to"),
        ({"to": "2026-01-01T00:00:00 01:00"}, "query.to"),
        ({"cursor": "x"}, "query.cursor"),
        ({"cursor": "9" * 40 + "-1"}, "query.cursor"),
        ({"cursor": "1-" + "9" * 40}, "query.cursor"),
        ({"cursor": "1--1"}, "query.cursor"),
        ({"limit": 0}, "query.limit"),
        ({"limit": 1001}, "query.limit"),
        ({"limit": "many"}, "query.limit"),
    ],
)
def test_a_question_that_cannot_be_answered_is_refused(cast: Any, query: dict[str, Any], field: str) -> None:
    answer = get(cast, "/assets/KEL-T1/samples", **query)
    assert answer.status_code == 422
    assert [e["field"] for e in answer.json()["errors"]] == [field]


@pytest.mark.parametrize("sample_id", ["0", "-1", "x", "9" * 30])
def test_an_impossible_sample_id_is_refused(cast: Any, sample_id: str) -> None:
    assert get(cast, f"/samples/{sample_id}").status_code == 422
