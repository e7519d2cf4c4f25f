"""The door over HTTP: how often an instrument may post, its keys, its maintenance, doubted clocks, qualities."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import sqlalchemy as sa
from api_cast import load_cast
from fastapi.testclient import TestClient

from app.config import Settings
from app.store.database import Database
from app.store.schema import samples
from app.web.app import create_app

SAMPLE = {"taken_at": "2026-03-01T06:00:00Z", "h2": 41.2}
MONITOR = "/api/v1/instruments/MON-1"


@pytest.fixture
def cast(database: Database) -> Any:
    return load_cast(database)


@pytest.fixture
def small(sqlite_database: Database) -> Any:
    """Where one database is enough."""
    return load_cast(sqlite_database)


def as_registrar(cast: Any, method: str, path: str, **more: Any) -> Any:
    return cast.client.request(method, path, headers=cast.auth(cast.registrar_key), **more)


def settings_of(cast: Any, **values: object) -> None:
    settings = Settings.model_validate({**values, "allowed_hosts": "testserver"})
    cast.client = TestClient(create_app(settings, cast.database), raise_server_exceptions=False)


# --- how often ----------------------------------------------------------------------------------------------


def test_an_instrument_that_posts_too_often_is_told_when_to_come_again(small: Any) -> None:
    settings_of(small, posts_per_minute=3)
    answers = [small.post(SAMPLE) for _ in range(5)]
    assert [answer.status_code for answer in answers] == [200, 200, 200, 429, 429]
    refused = answers[-1]
    assert refused.headers["content-type"] == "application/problem+json"
    assert 50 <= int(refused.headers["retry-after"]) <= 60
    assert "This instrument may make 3 posts a minute" in refused.json()["detail"]
    other = small.post({**SAMPLE, "compartment": "main"}, key=small.other_key)
    assert other.status_code == 200, "each instrument has its own count"


def test_the_limit_is_asked_before_the_body_is_read(small: Any) -> None:
    settings_of(small, posts_per_minute=1)
    assert small.post(SAMPLE).status_code == 200
    answer = small.client.post("/api/v1/samples", content=b"{", headers=small.auth())
    assert answer.status_code == 429


@pytest.mark.parametrize(("own", "taken"), [(None, 2), (4, 4), (0, 6)])
def test_what_is_registered_of_an_instrument_goes_before_the_setting(
    small: Any, own: int | None, taken: int
) -> None:
    settings_of(small, posts_per_minute=2)
    body = {"name": "Monitor 1", "asset": "KEL-T1", "posts_per_minute": own}
    assert as_registrar(small, "PUT", MONITOR, json=body).status_code == 200
    assert as_registrar(small, "GET", MONITOR).json()["posts_per_minute"] == own
    codes = [small.post(SAMPLE).status_code for _ in range(6)]
    assert codes == [200] * taken + [429] * (6 - taken)


def test_each_of_several_processes_allows_its_share(small: Any) -> None:
    settings_of(small, posts_per_minute=5, app_workers=2)
    assert [small.post(SAMPLE).status_code for _ in range(4)] == [200, 200, 200, 429]


def test_without_a_limit_nothing_is_counted(small: Any) -> None:
    settings_of(small, posts_per_minute=0)
    assert {small.post(SAMPLE).status_code for _ in range(20)} == {200}


# --- keys ---------------------------------------------------------------------------------------------------


def test_keys_are_issued_listed_rotated_and_revoked(cast: Any) -> None:
    first = as_registrar(cast, "POST", f"{MONITOR}/keys")
    assert (first.status_code, first.headers["cache-control"]) == (201, "no-store")
    assert first.json().keys() == {"instrument", "key", "expires_at", "ending", "they_end_at"}
    body = {"label": "gateway 2026", "overlap_hours": 24}
    second = as_registrar(cast, "POST", f"{MONITOR}/keys", json=body).json()
    prefixes = [key.split("_")[1] for key in (cast.instrument_key, first.json()["key"])]
    assert second["ending"] == prefixes
    listed = as_registrar(cast, "GET", f"{MONITOR}/keys").json()
    assert [key["label"] for key in listed] == ["", "", "gateway 2026"]
    assert [key["expires_at"] for key in listed] == [second["they_end_at"], second["they_end_at"], None]
    assert cast.post(SAMPLE, key=second["key"]).status_code == 200
    prefix = second["key"].split("_")[1]
    gone = as_registrar(cast, "DELETE", f"{MONITOR}/keys/{prefix}")
    assert (gone.status_code, gone.json()["state"]) == (200, "revoked")
    assert gone.json()["last_used_at"] is not None
    refused = cast.post(SAMPLE, key=second["key"])
    assert refused.status_code == 401
    assert refused.json()["detail"] == "The key is not known, or was revoked, or has expired."
    assert refused.json()["detail"] == cast.post(SAMPLE, key="ull_00000000_x").json()["detail"]
    assert cast.post(SAMPLE).status_code == 200


def test_bad_wishes_for_keys_are_refused(small: Any) -> None:
    for body, field in [
        ({"expires_at": "2020-01-01T00:00:00Z"}, "expires_at"),
        ({"expires_at": "tomorrow"}, "expires_at"),
        ({"expires_at": 7}, "expires_at"),
        ({"overlap_hours": -1}, "overlap_hours"),
        ({"label": "a\nb"}, "label"),
        ({"days": 7}, "days"),
    ]:
        answer = as_registrar(small, "POST", f"{MONITOR}/keys", json=body)
        assert answer.status_code == 422, body
        assert answer.json()["errors"][0]["field"] == field
    assert as_registrar(small, "POST", f"{MONITOR}/keys", content=b"{").status_code == 415
    for method, path in [
        ("POST", "/api/v1/instruments/NONE/keys"),
        ("GET", "/api/v1/instruments/QUILLFEN/keys"),
        ("DELETE", f"{MONITOR}/keys/00000000"),
        ("DELETE", f"{MONITOR}/keys/{small.other_key.split('_')[1]}"),
    ]:
        assert as_registrar(small, method, path).status_code == 404, path
        assert small.client.request(method, path, headers=small.auth()).status_code == 403
    assert as_registrar(small, "DELETE", f"{MONITOR}/keys/x").status_code == 422


# --- maintenance --------------------------------------------------------------------------------------------


def test_samples_of_a_spell_of_maintenance_are_kept_and_not_judged(cast: Any) -> None:
    body = {
        "author": "R. Quist",
        "note": "carrier gas",
        "begins_at": "2026-03-01T06:00:00Z",
        "ends_at": "2026-03-01T12:00:00+01:00",
    }
    begun = as_registrar(cast, "POST", f"{MONITOR}/maintenance", json=body)
    assert begun.status_code == 201
    assert begun.json()["ends_at"] == "2026-03-01T11:00:00Z"
    times = ["05:59:59", "06:00:00", "10:59:59", "11:00:00"]
    answer = cast.post(*({"taken_at": f"2026-03-01T{at}Z", "h2": 10} for at in times))
    outcomes = answer.json()["outcomes"]
    assert [o.get("set_aside") for o in outcomes] == [None, "maintenance", "maintenance", None]
    assert {o["result"] for o in outcomes} == {"stored"}
    assert "in maintenance" in outcomes[1]["reason"]
    with cast.database.read() as connection:
        rows = connection.execute(sa.select(samples.c.set_aside).order_by(samples.c.taken_at)).scalars()
        assert list(rows) == [None, "maintenance", "maintenance", None]
    other = cast.post(
        {"taken_at": "2026-03-01T07:00:00Z", "compartment": "main", "h2": 1}, key=cast.other_key
    )
    assert "set_aside" not in other.json()["outcomes"][0]


def test_maintenance_is_begun_ended_and_listed(cast: Any) -> None:
    path = f"{MONITOR}/maintenance"
    body = {"author": "R. Quist", "note": "carrier gas"}
    assert as_registrar(cast, "POST", path, json=body).json()["ends_at"] is None
    again = as_registrar(cast, "POST", path, json=body)
    assert again.status_code == 409
    assert "MON-1 is in maintenance from" in again.json()["detail"]
    ended = as_registrar(cast, "POST", f"{path}/end")
    assert (ended.status_code, ended.json()["note"]) == (200, "carrier gas")
    assert as_registrar(cast, "POST", f"{path}/end").status_code == 409
    assert as_registrar(cast, "GET", path).json() == [ended.json()]


def test_bad_maintenance_is_refused(small: Any) -> None:
    path, good = f"{MONITOR}/maintenance", {"author": "R. Quist", "note": "n"}
    for body, field in [
        ({"note": "n"}, "author"),
        ({**good, "ends_at": "2026-03-01T06:00:00"}, "ends_at"),
        ({**good, "ends_at": "2026-03-01T06:00:00Z"}, "ends_at"),
        ({**good, "begins_at": "0001-01-01T00:00:00Z"}, "begins_at"),
        ({**good, "until": "later"}, "until"),
    ]:
        answer = as_registrar(small, "POST", path, json=body)
        assert answer.status_code == 422, body
        assert answer.json()["errors"][0]["field"] == field
    for method, of in [("POST", "/end"), ("GET", "")]:
        there = f"/api/v1/instruments/NONE/maintenance{of}"
        assert as_registrar(small, method, there).status_code == 404
        assert small.client.request(method, there, headers=small.auth()).status_code == 403
    assert as_registrar(small, "POST", "/api/v1/instruments/NONE/maintenance", json=good).status_code == 404


# --- clocks and qualities -----------------------------------------------------------------------------------


def test_a_sample_ahead_of_the_clock_is_kept_or_refused_as_the_setting_says(cast: Any) -> None:
    ahead = {**SAMPLE, "taken_at": (datetime.now(UTC) + timedelta(hours=2)).isoformat()}
    outcome = cast.post(ahead).json()["outcomes"][0]
    assert (outcome["result"], outcome["set_aside"]) == ("stored", "clock_ahead")
    settings_of(cast, clock_ahead="refuse")
    assert cast.post(ahead).status_code == 422
    settings_of(cast, clock_ahead="refuse", clock_ahead_minutes=180)
    assert cast.post(ahead).status_code == 200


def test_an_ancient_sample_is_kept_refused_or_judged_as_the_setting_says(cast: Any) -> None:
    old = [{**SAMPLE, "taken_at": f"2000-01-0{day}T00:00:00Z"} for day in (1, 2, 3)]
    assert cast.post(old[0]).json()["outcomes"][0]["set_aside"] == "ancient"
    settings_of(cast, clock_ancient="judge")
    assert "set_aside" not in cast.post(old[1]).json()["outcomes"][0]
    settings_of(cast, clock_ancient="refuse")
    assert "whether the clock was ever set" in cast.post(old[2]).json()["detail"]


def test_qualities_of_iec_61850_are_kept_beside_the_readings(cast: Any) -> None:
    answer = cast.post(
        {
            "taken_at": SAMPLE["taken_at"],
            "H2ppm": {"value": 41.2, "quality": "questionable"},
            "CH4ppm": 12,
            "Tmp": {"value": -9999, "quality": "invalid"},
        }
    )
    assert answer.status_code == 200, answer.text
    all_bad = cast.post({"taken_at": "2026-03-01T07:00:00Z", "quality": "old", "h2": 40})
    assert all_bad.json()["outcomes"][0]["result"] == "stored"
    with cast.database.read() as connection:
        one, two = connection.execute(sa.select(samples).order_by(samples.c.taken_at))
    assert (one.h2, one.ch4, one.oil_temperature) == (41.2, 12.0, -9999.0)
    assert one.qualities == {"h2": "questionable", "oil_temperature": "invalid"}
    assert (two.h2, two.qualities) == (40.0, {"h2": "old"})
