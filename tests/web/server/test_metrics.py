"""Metrics: what they tell, to whom, with how few labels, and added up over several server processes."""

import os
import subprocess
import sys
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa
from fastapi.testclient import TestClient
from prometheus_client.parser import text_string_to_metric_families

from app.config import load_settings
from app.services.health.heartbeat import beat
from app.services.registering import register
from app.store.database import Database
from app.store.schema import alerts, compartments, instrument_states, messages
from app.web.app import create_app
from app.web.server import metrics

NOW = datetime.now(UTC)


def client(database: Database, **given: str) -> TestClient:
    environment = {"ULLAGE_ALLOWED_HOSTS": "testserver"} | {
        f"ULLAGE_{k.upper()}": v for k, v in given.items()
    }
    return TestClient(create_app(load_settings(environment), database), raise_server_exceptions=False)


def read(text: str) -> dict[str, dict[tuple[tuple[str, str], ...], float]]:
    """The samples of Prometheus's text format, by name and labels; read by the library's own parser."""
    found: dict[str, dict[tuple[tuple[str, str], ...], float]] = {}
    for family in text_string_to_metric_families(text):
        for sample in family.samples:
            found.setdefault(sample.name, {})[tuple(sorted(sample.labels.items()))] = sample.value
    return found


def labels(**named: str) -> tuple[tuple[str, str], ...]:
    return tuple(sorted(named.items()))


def test_requests_are_counted_by_template_method_and_status(fleet_database: Database) -> None:
    asked = client(fleet_database)

    def counted() -> Mapping[tuple[tuple[str, str], ...], float]:
        return read(asked.get("/metrics").text).get("ullage_http_requests_total", {})

    before = counted()
    for path in (
        "/assets/W-T1",
        "/assets/W-T2",
        "/assets/nowhere",
        "/api/v1/assets/W-T1",
        "/x/y",
        "/static/no.css",
    ):
        asked.get(path)
    asked.request("BREW", "/assets/W-T1")
    after = counted()
    grown = {key: after[key] - before.get(key, 0) for key in after if after[key] != before.get(key, 0)}
    del grown[labels(route="/metrics", method="GET", status="200")]
    assert grown == {
        labels(route="/assets/{code}", method="GET", status="200"): 2,
        labels(route="/assets/{code}", method="GET", status="404"): 1,
        labels(route="/assets/{code}", method="other", status="405"): 1,
        labels(route="/api/v1/assets/{code}", method="GET", status="401"): 1,
        labels(route="unmatched", method="GET", status="404"): 1,
        labels(route="/static", method="GET", status="404"): 1,
    }
    timed = read(asked.get("/metrics").text)["ullage_http_request_seconds_count"]
    assert timed[labels(route="/assets/{code}", method="GET")] >= 3


def test_what_the_database_says(fleet_database: Database) -> None:
    asked = client(fleet_database)
    key = register.issue_instrument_key(fleet_database, "W-T1-M", NOW)
    post = {"samples": [{"taken_at": NOW.isoformat(), "compartment": "main", "h2": 10}]}
    answer = asked.post("/api/v1/samples", json=post, headers={"Authorization": f"Bearer {key}"})
    assert answer.status_code == 200, answer.text
    beat(fleet_database, "worker", NOW - timedelta(seconds=30))
    with fleet_database.write() as connection:
        places = list(connection.execute(sa.select(compartments.c.id).order_by(compartments.c.id)).scalars())
        connection.execute(sa.update(instrument_states).values(heard_at=NOW - timedelta(hours=2)))
        alert = {
            "condition": "gassing",
            "opened_at": NOW,
            "changed_at": NOW,
            "headline": "x",
            "memory": {},
        }
        standing = (("unacknowledged", 3), ("normal", 1), ("unacknowledged", 3))
        for place, (state, severity) in zip(places, standing, strict=False):
            row = {**alert, "compartment_id": place, "state": state, "severity": severity}
            connection.execute(sa.insert(alerts), row)
        mail = {
            "to_address": "a@b",
            "subject": "s",
            "text": "t",
            "html": "h",
            "thread_id": "<1@x>",
            "attempts": 0,
        }
        for n, state in enumerate(("queued", "queued", "failed", "sent")):
            at = NOW - timedelta(minutes=5 * n)
            row = {**mail, "message_id": f"<{n}@x>", "state": state, "created_at": at, "next_attempt_at": at}
            connection.execute(sa.insert(messages), row)
    told = read(asked.get("/metrics").text)
    assert told["ullage_database_up"] == {(): 1}
    assert told["ullage_outbox_messages"] == {labels(state="queued"): 2, labels(state="failed"): 1}
    assert 300 <= told["ullage_outbox_oldest_seconds"][()] < 3000
    assert 30 <= told["ullage_worker_heartbeat_age_seconds"][()] < 3000
    assert told["ullage_alerts"] == {labels(condition="gassing", severity="3", state="unacknowledged"): 2}
    assert {dict(key)["heard"]: value for key, value in told["ullage_instruments"].items()} == {
        "hour": 0,
        "day": 1,
        "earlier": 0,
        "never": 1,
    }
    assert [dict(key)["database"] for key in told["ullage_build_info"]] == [
        "sqlite" if fleet_database.is_sqlite else "postgresql"
    ]
    assert told["ullage_database_connections"][labels(state="idle")] >= 1
    assert told["process_resident_memory_bytes"][()] > 1e6


def test_recorded_samples_are_counted_by_what_became_of_them(sqlite_database: Database) -> None:
    asked = client(sqlite_database)
    before = read(asked.get("/metrics").text)
    metrics.count_outcomes(["stored", "stored", "revised", "rejected"])
    metrics.observe_record(0.05)
    metrics.observe_group(2, 3)
    after = read(asked.get("/metrics").text)
    name = "ullage_samples_total"
    for outcome, number in (("stored", 2), ("revised", 1), ("rejected", 1)):
        key = labels(outcome=outcome)
        assert after[name][key] - before.get(name, {}).get(key, 0) == number
    for name, number in (
        ("ullage_group_posts_sum", 2),
        ("ullage_group_samples_sum", 3),
        ("ullage_record_seconds_count", 1),
    ):
        assert after[name][()] - before[name][()] == number


def test_a_token_is_asked_for_where_one_is_set(sqlite_database: Database) -> None:
    asked = client(sqlite_database, metrics_token="l0ng-token")
    right = {"Authorization": "Bearer l0ng-token"}
    assert asked.get("/metrics", headers=right).status_code == 200
    for wrong in ({}, {"Authorization": "Bearer l0ng-toke"}, {"Authorization": "Basic l0ng-token"}):
        answer = asked.get("/metrics", headers=wrong)
        assert answer.status_code == 401
        assert answer.headers["WWW-Authenticate"] == 'Bearer realm="ullage metrics"'
        assert "l0ng" not in answer.text
    assert asked.get("/metrics", headers={**right, "Host": "elsewhere.example"}).status_code == 400


PROCESS = """
import sys
from app.web.server import metrics
for n in range(int(sys.argv[1])):
    metrics.observe_request("/assets/{code}", "GET", 200, 0.01)
metrics.count_outcomes(["stored"] * int(sys.argv[1]))
metrics.observe_connections(2, 1)
if sys.argv[2:]:
    from datetime import UTC, datetime
    sys.stdout.buffer.write(metrics.exposition(None, datetime.now(UTC), "postgresql"))
"""


@pytest.mark.parametrize("shared", [True, False])
def test_processes_that_share_a_folder_are_added_up(tmp_path: Path, shared: bool) -> None:
    inherited = {key: value for key, value in os.environ.items() if not key.startswith("PROMETHEUS_")}
    environment = {**inherited, "PROMETHEUS_MULTIPROC_DIR": str(tmp_path)} if shared else inherited
    words = [sys.executable, "-c", PROCESS]
    subprocess.run([*words, "3"], env=environment, check=True, timeout=60)
    asked = subprocess.run(
        [*words, "4", "tell"], env=environment, check=True, timeout=60, capture_output=True
    )
    told = read(asked.stdout.decode())
    total = 7 if shared else 4
    assert told["ullage_http_requests_total"] == {
        labels(route="/assets/{code}", method="GET", status="200"): total
    }
    assert told["ullage_samples_total"] == {labels(outcome="stored"): total}
    assert told["ullage_build_info"]
    assert told["ullage_database_connections"] == {labels(state="in_use"): 2, labels(state="idle"): 1}, (
        "the connections of the process that ended are gone"
    )
    own = told["process_resident_memory_bytes"]
    assert [bool(dict(key).get("pid")) for key in own] == [shared], "of the one that still runs"
