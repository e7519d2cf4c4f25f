"""Posting samples over HTTP: outcomes, refusals, keys and limits; nothing a client sends makes a 5xx."""

import gzip
import json
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import sqlalchemy as sa
from api_cast import load_cast
from fastapi import FastAPI
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from app.store.database import Database
from app.store.schema import api_keys, samples
from app.web.server import problems

PATH = "/api/v1/samples"
SAMPLE = {"taken_at": "2026-03-01T06:00:00Z", "h2": 41.2, "c2h2": "<0.5"}
JSON = {"Content-Type": "application/json"}


@pytest.fixture
def cast(database: Database) -> Any:
    return load_cast(database)


@pytest.fixture
def small(sqlite_database: Database) -> Any:
    """One database is enough where nothing reaches the store; bodies up to 2 KiB."""
    return load_cast(sqlite_database, max_body_bytes=2048)


def stored(cast: Any) -> list[Any]:
    with cast.database.read() as connection:
        return list(connection.execute(sa.select(samples).order_by(samples.c.id)))


def results(answer: Any) -> list[str]:
    assert answer.status_code == 200, answer.text
    return [outcome["result"] for outcome in answer.json()["outcomes"]]


def test_stored_then_known_then_revised(cast: Any) -> None:
    first = cast.post(SAMPLE)
    assert results(first) == ["stored"]
    (row,) = stored(cast)
    assert first.json() == {"outcomes": [{"result": "stored", "sample_id": row.id}]}
    assert (row.h2, row.c2h2, row.ch4, row.taken_at) == (41.2, 0.5, None, datetime(2026, 3, 1, 6, tzinfo=UTC))
    assert results(cast.post(SAMPLE)) == ["already_known"]
    assert len(stored(cast)) == 1
    assert results(cast.post({**SAMPLE, "h2": 44})) == ["revised"]
    assert [(r.h2, r.current) for r in stored(cast)] == [(41.2, False), (44.0, True)]


def test_the_same_time_in_another_zone_is_the_same_sample(cast: Any) -> None:
    cast.post(SAMPLE)
    assert results(cast.post({**SAMPLE, "taken_at": "2026-03-01T07:00:00+01:00"})) == ["already_known"]


def test_good_samples_beside_a_bad_one_are_stored(cast: Any) -> None:
    answer = cast.post(SAMPLE, {**SAMPLE, "h2": -1}, {**SAMPLE, "taken_at": "2026-03-01T10:00:00Z"})
    assert results(answer) == ["stored", "rejected", "stored"]
    rejected = answer.json()["outcomes"][1]
    assert rejected["field"] == "samples[1].h2"
    assert "hydrogen cannot be negative" in rejected["reason"]
    assert len(stored(cast)) == 2


def test_when_every_sample_is_bad_the_answer_is_422(cast: Any) -> None:
    one = cast.post({**SAMPLE, "h2": True})
    assert one.status_code == 422
    assert one.headers["content-type"] == "application/problem+json"
    problem = one.json()
    assert problem["type"] == "about:blank"
    assert (problem["title"], problem["status"]) == ("Unprocessable Entity", 422)
    assert problem["detail"].startswith("samples[0].h2: true is not a reading")
    assert [e["field"] for e in problem["errors"]] == ["samples[0].h2"]
    two = cast.post({**SAMPLE, "h2": "41"}, {"h2": 1})
    assert [e["field"] for e in two.json()["errors"]] == ["samples[0].h2", "samples[1].taken_at"]
    assert stored(cast) == []


def test_an_instrument_posts_for_its_own_compartments_only(cast: Any) -> None:
    answer = cast.post({**SAMPLE, "compartment": "tap_changer"}, key=cast.other_key)
    assert results(answer) == ["stored"]
    refused = cast.post({**SAMPLE, "compartment": "tap_changer"})
    assert refused.status_code == 422
    assert refused.json()["errors"][0]["field"] == "samples[0].compartment"


def test_without_a_good_key_nothing_is_taken(cast: Any) -> None:
    body = {"samples": [SAMPLE]}
    absent = cast.client.post(PATH, json=body)
    assert absent.status_code == 401
    assert absent.headers["www-authenticate"] == 'Bearer realm="ullage"'
    for key in ("x", "ull_00000000_x", cast.instrument_key + "x", cast.instrument_key[:-1], "ull_a_\x80"):
        answer = cast.client.post(
            PATH, json=body, headers={"Authorization": f"Bearer {key}".encode("latin-1")}
        )
        assert answer.status_code == 401, key
        assert 'error="invalid_token"' in answer.headers["www-authenticate"]
    basic = cast.client.post(PATH, json=body, headers={"Authorization": f"Basic {cast.instrument_key}"})
    assert basic.status_code == 401
    assert stored(cast) == []


@pytest.mark.parametrize("column", ["revoked_at", "expires_at"])
def test_a_revoked_or_expired_key_is_refused(cast: Any, column: str) -> None:
    with cast.database.write() as connection:
        connection.execute(sa.update(api_keys).values({column: datetime.now(UTC) - timedelta(seconds=1)}))
    assert cast.post(SAMPLE).status_code == 401


def test_a_registrars_key_posts_no_samples(cast: Any) -> None:
    answer = cast.post(SAMPLE, key=cast.registrar_key)
    assert answer.status_code == 403
    assert 'error="insufficient_scope"' in answer.headers["www-authenticate"]


def test_the_use_of_a_key_is_written_down(cast: Any) -> None:
    cast.post(SAMPLE)
    with cast.database.read() as connection:
        used = connection.execute(
            sa.select(api_keys.c.last_used_at).where(api_keys.c.prefix == cast.instrument_key.split("_")[1])
        ).scalar_one()
    assert abs(datetime.now(UTC) - used) < timedelta(minutes=1)


@pytest.mark.parametrize(
    "media_type", ["text/plain", "application/x-www-form-urlencoded", "", "application/jsonx"]
)
def test_another_content_type_is_refused(small: Any, media_type: str) -> None:
    body = json.dumps({"samples": [SAMPLE]})
    answer = small.client.post(PATH, content=body, headers={**small.auth(), "Content-Type": media_type})
    assert answer.status_code == 415
    assert "application/json" in answer.json()["detail"]


def test_a_content_type_with_a_charset_is_taken(small: Any) -> None:
    headers = {**small.auth(), "Content-Type": "Application/JSON; charset=utf-8"}
    assert results(small.client.post(PATH, content=json.dumps({"samples": [SAMPLE]}), headers=headers)) == [
        "stored"
    ]


@pytest.mark.parametrize("coding", ["gzip", "GZip", "x-gzip"])
def test_a_packed_body_is_taken(small: Any, coding: str) -> None:
    body = json.dumps({"samples": [SAMPLE]}).encode()
    headers = {**small.auth(), **JSON, "Content-Encoding": coding}
    whole = small.client.post(PATH, content=gzip.compress(body), headers=headers)
    assert results(whole) == ["stored"]
    parts = gzip.compress(body[:30]) + gzip.compress(body[30:])  # several members are one body, RFC 1952, 2.2
    assert results(small.client.post(PATH, content=parts, headers=headers)) == ["already_known"]
    plain = {**small.auth(), **JSON, "Content-Encoding": "identity"}
    assert results(small.client.post(PATH, content=body, headers=plain)) == ["already_known"]


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda packed: packed[:-1], "ends too soon"),
        (lambda packed: packed[:20], "ends too soon"),
        (lambda _: b"", "ends too soon"),
        (lambda packed: packed + b"rest", "has something behind its end"),
        (lambda packed: packed + packed[:5], "ends too soon"),
        (lambda packed: packed[:-8] + bytes(8), "damaged"),
        (lambda packed: gzip.decompress(packed), "not gzip"),
    ],
)
def test_a_badly_packed_body_is_refused(small: Any, spoil: Callable[[bytes], bytes], says: str) -> None:
    packed = spoil(gzip.compress(json.dumps({"samples": [SAMPLE]}).encode()))
    headers = {**small.auth(), **JSON, "Content-Encoding": "gzip"}
    answer = small.client.post(PATH, content=packed, headers=headers)
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["field"] == "body"
    assert says in answer.json()["detail"]
    assert stored(small) == []


@pytest.mark.parametrize("bomb", [gzip.compress(b" " * 1_500_000), gzip.compress(b" " * 1000) * 40])
def test_no_more_is_unpacked_than_is_allowed(small: Any, bomb: bytes) -> None:
    """Blanks in less than 2 KiB as sent: whole, and in parts each of which would be small enough."""
    assert len(bomb) < 2048
    headers = {**small.auth(), **JSON, "Content-Encoding": "gzip"}
    answer = small.client.post(PATH, content=bomb, headers=headers)
    assert answer.status_code == 413
    assert "is larger than 2048 bytes" in answer.json()["detail"]


@pytest.mark.parametrize("coding", ["br", "deflate", "gzip, gzip", "zstd"])
def test_a_body_packed_otherwise_is_refused(small: Any, coding: str) -> None:
    headers = {**small.auth(), **JSON, "Content-Encoding": coding}
    answer = small.client.post(PATH, content=b"{}", headers=headers)
    assert answer.status_code == 415
    assert answer.headers["accept-encoding"] == "gzip, identity"


def test_a_body_over_the_limit_is_refused_declared_or_chunked(small: Any) -> None:
    body = json.dumps({"samples": [SAMPLE] * 40}).encode()
    assert len(body) > 2048
    headers = {**small.auth(), **JSON}

    def chunks() -> Iterator[bytes]:
        for i in range(0, len(body), 500):
            yield body[i : i + 500]

    for content in (body, chunks()):
        answer = small.client.post(PATH, content=content, headers=headers)
        assert answer.status_code == 413
        assert "larger than 2048 bytes" in answer.json()["detail"]
    assert stored(small) == []


def test_a_stranger_is_refused_before_the_body_is_read(small: Any) -> None:
    def never() -> Iterator[bytes]:
        yield b"x" * 10_000

    assert small.client.post(PATH, content=never(), headers=JSON).status_code == 401


@pytest.mark.parametrize(
    ("body", "status", "field"),
    [
        (b"", 400, "body"),
        (b"{", 400, "body"),
        (b"\xff", 400, "body"),
        (b'{"samples": [{"compartment": "\\ud800"}]}', 400, "body"),
        (b"[" * 1500, 400, "body"),
        (b'{"samples": [{"h2": 1' + b"0" * 1900 + b"}]}", 422, "samples[0].taken_at"),
        (b'{"samples": []}', 422, "samples"),
        (b'{"samples": [{"\\u0000": 1}]}', 422, "samples[0].taken_at"),
        (b'{"samples": [{"taken_at": "2026-03-01T06:00:00Z", "compartment": "\\u0000", "h2": 1}]}', 422,
         "samples[0].compartment"),
        (b'{"samples": [{"h2": 1, "h2": 2}]}', 422, "h2"),
    ],
    ids=["empty", "open", "no UTF-8", "surrogate", "deep", "huge", "none", "NUL key", "NUL", "twice"],
)  # fmt: skip
def test_a_body_that_cannot_be_taken(small: Any, body: bytes, status: int, field: str) -> None:
    answer = small.client.post(PATH, content=body, headers={**small.auth(), **JSON})
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["errors"][0]["field"] == field


def test_too_many_samples_are_refused(sqlite_database: Database) -> None:
    cast = load_cast(sqlite_database)
    answer = cast.post(*[{}] * 5001)
    assert answer.status_code == 413
    assert answer.json()["errors"] == [
        {"field": "samples", "reason": "more than 5000 samples; send them in several posts"}
    ]


ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=8,
)
NEARLY = st.fixed_dictionaries(
    {"taken_at": st.just("2026-03-01T06:00:00Z") | ANYTHING},
    optional={
        "h2": ANYTHING | st.floats(0, 1e6),
        "c2h2": st.just("<0.5") | ANYTHING,
        "compartment": ANYTHING,
    },
)


@pytest.mark.fuzz
@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    body=st.binary(max_size=80)
    | st.builds(json.dumps, st.fixed_dictionaries({"samples": st.lists(NEARLY, max_size=3)})).map(str.encode)
)
def test_nothing_that_is_posted_makes_a_server_error(small: Any, body: bytes) -> None:
    answer = small.client.post(PATH, content=body, headers={**small.auth(), **JSON})
    assert answer.status_code in {200, 400, 413, 422}
    if answer.status_code != 200:
        problem = answer.json()
        assert problem["status"] == answer.status_code
        assert problem["errors"]


# --- the description of the interface -----------------------------------------------------------------------


def test_the_description_says_all_of_it(small: Any) -> None:
    spec = small.client.app.openapi()
    post = spec["paths"][PATH]["post"]
    assert set(post["responses"]) == {"200", "400", "401", "403", "413", "415", "422", "429", "503"}
    for status, told in post["responses"].items():
        assert list(told["content"]) == [
            "application/json" if status == "200" else "application/problem+json"
        ]
    assert post["security"] == [{"key": []}]
    assert spec["components"]["securitySchemes"]["key"]["scheme"] == "bearer"
    body = post["requestBody"]["content"]["application/json"]
    assert body["schema"]["properties"]["samples"]["maxItems"] == 5000


def test_every_example_of_the_description_is_taken(small: Any) -> None:
    spec = small.client.app.openapi()
    example = spec["paths"][PATH]["post"]["requestBody"]["content"]["application/json"]["example"]
    assert results(small.post(*example["samples"])) == ["stored"]
    for path in ("sites", "assets", "laboratories", "instruments", "contacts"):
        told = spec["paths"][f"/api/v1/{path}/{{code}}"]["put"]["requestBody"]["content"]["application/json"]
        answer = small.client.put(
            f"/api/v1/{path}/NEW-{path}", json=told["example"], headers=small.auth(small.registrar_key)
        )
        assert answer.status_code == 201, answer.text


# --- problems -----------------------------------------------------------------------------------------------


@pytest.fixture
def failing() -> TestClient:
    app = FastAPI()
    problems.install(app)

    @app.get("/api/v1/fails")
    def fails() -> None:
        raise RuntimeError("secret detail")

    @app.get("/fails")
    def page_fails() -> None:
        raise RuntimeError("secret detail")

    return TestClient(app, raise_server_exceptions=False)


def test_an_unhandled_error_is_a_500_with_a_request_id_and_no_detail(
    failing: TestClient, capsys: pytest.CaptureFixture[str]
) -> None:
    answer = failing.get("/api/v1/fails")
    assert answer.status_code == 500
    assert answer.headers["content-type"] == "application/problem+json"
    assert "secret detail" not in answer.text
    logged = capsys.readouterr().out
    assert answer.json()["request_id"] in logged
    assert "RuntimeError: secret detail" in logged


def test_a_browser_gets_a_page_even_when_pages_cannot_be_drawn(failing: TestClient) -> None:
    answer = failing.get("/fails", headers={"Accept": "text/html"})
    assert answer.status_code == 500
    assert answer.headers["content-type"].startswith("text/html")
    assert "Request id: " in answer.text
    assert "secret detail" not in answer.text
    missing = failing.get("/<b>nothing</b>", headers={"Accept": "text/html"})
    assert missing.status_code == 404
    assert "There is nothing at this address." in missing.text


def test_a_program_gets_problem_details_everywhere(failing: TestClient) -> None:
    assert failing.get("/nothing").json() == {
        "type": "about:blank",
        "title": "Not Found",
        "status": 404,
        "detail": "There is nothing at this address.",
    }
    wrong = failing.post("/api/v1/fails", headers={"Accept": "text/html"})
    assert (wrong.status_code, wrong.headers["content-type"]) == (405, "application/problem+json")
    assert wrong.headers["allow"] == "GET"
