"""A page is made of several queries; what comes in between two of them must not break it."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from fastapi.testclient import TestClient

from app.config import Settings
from app.services.judging.online_series import history_of
from app.services.registering.register import issue_instrument_key
from app.store.database import Database
from app.web.app import create_app

TAKEN = datetime.now(UTC).replace(microsecond=0) - timedelta(hours=2)


def test_the_fleet_page_while_the_newest_reading_is_revised(
    fleet_database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    key = issue_instrument_key(fleet_database, "W-T2-M", datetime.now(UTC))
    revised: list[str] = []
    with TestClient(create_app(Settings(), fleet_database), base_url="http://localhost") as client:

        def post(hydrogen: float, at: datetime = TAKEN) -> str:
            body = {"samples": [{"taken_at": at.isoformat(), "h2": hydrogen, "ch4": 8.0}]}
            headers = {"Authorization": f"Bearer {key}"}
            return str(
                client.post("/api/v1/samples", json=body, headers=headers).json()["outcomes"][0]["result"]
            )

        def later(*asked: Any) -> Any:
            if not revised:
                revised.append(
                    post(21.0)
                )  # the page knows which reading is the newest, and not yet all of it
            return history_of(*asked)

        # what the first says is told in full; of the newest only how it stands
        assert [post(20.0, TAKEN - timedelta(hours=i)) for i in (3, 2, 1, 0)] == ["stored"] * 4
        monkeypatch.setattr("app.services.judging.judge_online.history_of", later)
        answer = client.get("/", headers={"Accept": "text/html"})
    assert revised == ["revised"]
    assert answer.status_code == 200
