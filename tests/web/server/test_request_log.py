"""Request ids and the log: what is told of a request, and that no secret ever is."""

import io
import json
import logging
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import structlog
from fastapi.testclient import TestClient

from app.config import load_settings
from app.jobs import logging_setup
from app.services.registering import register
from app.store.database import Database
from app.web.app import create_app


@pytest.fixture
def logged() -> Iterator[Any]:
    """What was logged since it was asked last, as JSON objects; logging is as in the server."""
    root = logging.getLogger()
    before = (root.handlers[:], root.level, structlog.get_config())
    logging_setup.configure("DEBUG")
    (handler,) = root.handlers
    assert isinstance(handler, logging.StreamHandler)

    def lines(event: str | None = None) -> list[dict[str, Any]]:
        told = handler.stream.getvalue() if isinstance(handler.stream, io.StringIO) else ""
        handler.setStream(io.StringIO())
        found = [json.loads(line) for line in told.splitlines()]
        own = [
            line for line in found if line["logger"] not in {"asyncio", "httpx", "httpx2"}
        ]  # the test's own
        return [line for line in own if event is None or line["event"] == event]

    lines()
    yield lines
    root.handlers[:], level, config = before
    root.setLevel(level)
    structlog.configure(**config)


def application(database: Database) -> TestClient:
    app = create_app(load_settings({"ULLAGE_ALLOWED_HOSTS": "testserver"}), database)
    return TestClient(app, raise_server_exceptions=False)


@pytest.mark.parametrize(
    ("given", "taken"),
    [
        ("1f9c-2", True),
        ("00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01", True),
        ("a" * 100, True),
        ("a" * 101, False),
        ("", False),
        ("two words", False),
        ('quote"', False),
        ("\u00e9", False),
        ("ull_1234abcd_secret", False),
    ],
)
def test_an_id_that_can_stand_in_a_log_is_taken_and_any_other_replaced(
    sqlite_database: Database, logged: Any, given: str, taken: bool
) -> None:
    client = application(sqlite_database)
    logged()
    answer = client.get("/assets/nowhere", headers={b"X-Request-ID": given.encode("latin-1")})
    told = answer.headers["X-Request-ID"]
    assert (told == given) is taken
    assert taken or len(told) == 16
    assert answer.json()["request_id"] == told
    assert [line["request_id"] for line in logged("request")] == [told]


def test_each_request_has_an_id_of_its_own_and_it_leaves_with_it(sqlite_database: Database) -> None:
    client = application(sqlite_database)
    ids = {
        client.get(path).headers["X-Request-ID"]
        for path in ["/", "/nowhere", "/health/live", "/static/x"] * 5
    }
    assert len(ids) == 20
    assert "request_id" not in structlog.contextvars.get_contextvars()


def test_one_line_a_request_says_what_became_of_it(fleet_database: Database, logged: Any) -> None:
    client = application(fleet_database)
    logged()
    asked = client.get("/assets/W-T1?show=1&token=s3cret")
    (line,) = logged("request")
    assert {key: line[key] for key in ("method", "route", "path", "status", "bytes", "client", "level")} == {
        "method": "GET",
        "route": "/assets/{code}",
        "path": "/assets/W-T1",
        "status": asked.status_code,
        "bytes": len(asked.content),
        "client": "testclient",
        "level": "info",
    }
    assert line["ms"] > 0
    assert "s3cret" not in json.dumps(line)
    for path, level in (("/health/live", "debug"), ("/metrics", "debug"), ("/static/no.css", "info")):
        client.get(path)
        assert [line["level"] for line in logged("request")] == [level]


def test_lines_of_an_endpoint_in_a_thread_bear_the_id(sqlite_database: Database, logged: Any) -> None:
    client = application(sqlite_database)
    app: Any = client.app

    def talks() -> str:
        structlog.get_logger("ullage.test").info("in a thread")
        return "said"

    app.add_api_route("/talks", talks)

    for request_id in ("first", "second"):
        client.get("/talks", headers={"X-Request-ID": request_id})
        lines = logged()
        assert [line["event"] for line in lines] == ["in a thread", "request"]
        assert {line["request_id"] for line in lines} == {request_id}


def test_a_failure_answers_with_the_id_under_which_it_is_logged(
    sqlite_database: Database, logged: Any
) -> None:
    client = application(sqlite_database)
    app: Any = client.app

    def fails() -> str:
        password = "s3cret"
        raise RuntimeError(f"{len(password)}")

    app.add_api_route("/fails", fails)

    answer = client.get("/fails", headers={"X-Request-ID": "mine"})
    assert (answer.status_code, answer.json()["request_id"], answer.headers["X-Request-ID"]) == (
        500,
        "mine",
        "mine",
    )
    page = client.get("/fails", headers={"X-Request-ID": "mine", "Accept": "text/html"})
    assert "Request id: <code>mine</code>" in page.text
    lines = [line for line in logged() if line["event"] in {"request", "unhandled error"}]
    assert [line["status"] for line in lines if line["event"] == "request"] == [500, 500]
    assert {line["request_id"] for line in lines} == {"mine"}
    assert "RuntimeError: 6" in next(line["exception"] for line in lines if "exception" in line)


@pytest.mark.parametrize(
    ("path", "status"),
    [("/x", 404), ("/api/v1/assets", 401), ("/alerts/nix", 422), ("/health/ready?only=x", 422)],
)
def test_problems_and_refusals_bear_the_id(sqlite_database: Database, path: str, status: int) -> None:
    client = application(sqlite_database)
    answer = client.get(path)
    assert answer.status_code == status
    assert answer.json()["request_id"] == answer.headers["X-Request-ID"]
    foreign = client.get(path, headers={"Host": "elsewhere.example"})
    assert foreign.json()["request_id"] == foreign.headers["X-Request-ID"]
    crossed = client.post("/alerts/1/acknowledge", headers={"Sec-Fetch-Site": "cross-site"})
    assert (crossed.status_code, len(crossed.headers["X-Request-ID"])) == (403, 16)


def test_no_key_and_no_mail_is_logged(fleet_database: Database, logged: Any) -> None:
    """With a key in every place where somebody may put one, and mails that cannot be stored."""
    now = datetime.now(UTC)
    key = register.issue_instrument_key(fleet_database, "W-T1-M", now)
    registrar = register.issue_registrar_key(fleet_database, now)
    client = application(fleet_database)
    for secret in (key, registrar):
        bearer = {"Authorization": f"Bearer {secret}"}
        client.get(f"/api/v1/assets/{secret}", headers=bearer)
        client.get(f"/assets/{secret}?key={secret}", headers={"X-Request-ID": secret, "Accept": "text/html"})
        client.get(f"/{secret}", headers={"Cookie": f"key={secret}"})
        client.post(
            "/api/v1/samples", headers=bearer, json={"samples": [{"taken_at": now.isoformat(), "h2": 10}]}
        )
        client.post("/api/v1/samples", headers=bearer, content=f'{{"samples": "{secret}"}}')
    with fleet_database.write() as connection:
        connection.exec_driver_sql("ALTER TABLE messages RENAME COLUMN html TO no_html")
    alarming = {"compartment": "main", "h2": 3000, "c2h2": 500, "c2h4": 900, "ch4": 900, "c2h6": 50}
    alarmed = [
        client.post(
            "/api/v1/samples",
            headers={"Authorization": f"Bearer {key}"},
            json={"samples": [{**alarming, "taken_at": (now - timedelta(hours=hours)).isoformat()}]},
        ).status_code
        for hours in (3, 2, 1)
    ]
    assert alarmed[-1] >= 500, "it would have mailed"
    lines = logged()
    told = json.dumps(lines)
    assert sum(line["event"] == "request" for line in lines) == 13
    for secret in (key, registrar):
        assert secret not in told
        assert secret.split("_", 2)[2] not in told
    assert "weirs.example" not in told  # the contacts' addresses, beside which a mail's text would stand
    posted = [line for line in lines if line["event"] == "request" and line["route"] == "/api/v1/samples"]
    assert [line.get("instrument") for line in posted if line["status"] != 403] == ["W-T1-M"] * 5
