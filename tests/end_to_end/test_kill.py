"""Mail that was queued before a kill -9 is delivered after it. Kills under load: see test_faults.py."""

import time
from datetime import UTC, datetime, timedelta
from email import message_from_bytes
from pathlib import Path

import httpx
import sqlalchemy as sa
from fleet_cast import FLEET
from served import PATIENCE_SECONDS, Service, free_port

from app.services.registering.load_fleet import load_fleet
from app.services.registering.register import issue_instrument_key
from app.store.database import Database
from app.store.schema import messages

HOT = {
    "h2": 120.0,
    "ch4": 250.0,
    "c2h6": 4.0,
    "c2h4": 400.0,
    "co": 200.0,
    "co2": 2000.0,
    "o2": 900.0,
    "n2": 5e4,
}


def queued(database: Database) -> list[tuple[str, str]]:
    with database.read() as connection:
        rows = connection.execute(sa.select(messages.c.message_id, messages.c.state))
        return sorted((row.message_id, row.state) for row in rows)


def test_mail_that_was_queued_before_a_kill_is_delivered_after_it(
    sqlite_database: Database, tmp_path: Path
) -> None:
    database = sqlite_database
    load_fleet(database, FLEET.read_text(encoding="utf-8"), "fleet.yaml")
    key = issue_instrument_key(database, "W-T2-M", datetime.now(UTC))
    service = Service(tmp_path, str(database.url), free_port())
    taken = datetime.now(UTC) - timedelta(hours=9)
    batch = [{"taken_at": (taken + timedelta(hours=4 * i)).isoformat(), **HOT} for i in range(2)]
    with service.serving(EMBEDDED_WORKER="false"):
        answer = httpx.post(
            f"{service.url}/api/v1/samples",
            json={"samples": batch},
            headers={"Authorization": f"Bearer {key}"},
            timeout=PATIENCE_SECONDS,
            trust_env=False,
        )
        assert [o["result"] for o in answer.json()["outcomes"]] == ["stored", "stored"]
    before = queued(database)
    assert [state for _, state in before] == ["queued", "queued"]
    assert not service.mail_folder.exists()
    with service.serving(EMBEDDED_WORKER="true"):
        until = time.monotonic() + PATIENCE_SECONDS
        while time.monotonic() < until and {state for _, state in queued(database)} != {"sent"}:
            time.sleep(0.1)
    written = sorted(
        message_from_bytes(p.read_bytes())["Message-ID"] for p in service.mail_folder.glob("*.eml")
    )
    assert written == [message_id for message_id, _ in before]
    assert {state for _, state in queued(database)} == {"sent"}
