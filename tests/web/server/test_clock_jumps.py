"""Clocks that jump, the server's and the instrument's: nothing is lost, nothing doubled, nothing wrongly believed."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import sqlalchemy as sa
from fastapi.testclient import TestClient

from app.config import Settings
from app.services.registering.register import issue_instrument_key
from app.store.database import Database
from app.store.mailing import outbox
from app.store.recording.reading_columns import counting
from app.store.schema import alert_events, messages, samples
from app.web.app import create_app

NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
QUIET = {"h2": 20.0, "ch4": 8.0, "c2h4": 4.0, "c2h6": 4.0, "c2h2": 0.6, "o2": 900.0, "n2": 5e4}
HOT = QUIET | {"c2h4": 400.0, "ch4": 250.0, "h2": 300.0}


@dataclass
class Yard:
    """A server whose clock is set by hand, and a monitor with its own."""

    client: TestClient
    database: Database
    key: str
    clock: datetime = NOON
    answered: list[tuple[datetime, str, str | None]] = field(default_factory=list)

    def post(self, at: datetime, readings: dict[str, float]) -> str:
        """The outcome, ``stored`` being followed by why the sample was set aside, if it was."""
        body = {"samples": [{"taken_at": at.isoformat(), **readings}]}
        answer = self.client.post(
            "/api/v1/samples", json=body, headers={"Authorization": f"Bearer {self.key}"}
        )
        assert answer.status_code == 200, answer.text
        (outcome,) = answer.json()["outcomes"]
        self.answered.append((at, outcome["result"], outcome.get("set_aside")))
        return " ".join(filter(None, (outcome["result"], outcome.get("set_aside"))))

    def check(self) -> None:
        """Sent, answered, present and judged agree; only what was set aside is not judged."""
        stored = [(at, aside) for at, result, aside in self.answered if result == "stored"]
        query = sa.select(samples.c.taken_at, samples.c.set_aside).where(samples.c.revision == 1)
        unjudged = sa.select(sa.func.count()).where(*counting(), samples.c.rule_set.is_(None))
        with self.database.read() as connection:
            present = [(row.taken_at, row.set_aside) for row in connection.execute(query)]
            assert sorted(present) == sorted(stored)
            assert connection.execute(unjudged).scalar_one() == 0

    def raised(self) -> int:
        query = sa.select(sa.func.count()).where(alert_events.c.reason == "raised")
        with self.database.read() as connection:
            return connection.execute(query).scalar_one()


@pytest.fixture
def yard(fleet_database: Database) -> Iterator[Yard]:
    key = issue_instrument_key(fleet_database, "W-T2-M", NOON - 500 * DAY)
    app = create_app(Settings(), fleet_database, lambda: made.clock)
    with TestClient(app, base_url="http://localhost") as client:
        made = Yard(client, fleet_database, key)
        yield made


def run_on(yard: Yard, first: datetime, count: int, readings: dict[str, float] = QUIET) -> list[str]:
    return [yard.post(first + i * HOUR, readings) for i in range(count)]


def known_again(yard: Yard, first: datetime, count: int) -> bool:
    """Sent once more, all of them are known."""
    body = {"samples": [{"taken_at": (first + i * HOUR).isoformat(), **QUIET} for i in range(count)]}
    answer = yard.client.post("/api/v1/samples", json=body, headers={"Authorization": f"Bearer {yard.key}"})
    return [outcome["result"] for outcome in answer.json()["outcomes"]] == ["already_known"] * count


@pytest.mark.parametrize("jump", [-400 * DAY, -2 * HOUR, -HOUR / 6, 2 * HOUR, 400 * DAY], ids=str)
def test_the_servers_clock_jumps_and_comes_back(yard: Yard, jump: timedelta) -> None:
    """Set back, it takes good samples for dated ahead: kept, not judged. Nothing is lost or doubled."""
    assert run_on(yard, NOON - 5 * HOUR, 5) == ["stored"] * 5
    yard.clock = NOON + jump
    during = run_on(yard, NOON, 3)
    ahead = [NOON + i * HOUR > yard.clock + HOUR for i in range(3)]
    assert during == ["stored clock_ahead" if doubted else "stored" for doubted in ahead]
    yard.clock = NOON + 4 * HOUR
    assert known_again(yard, NOON, 3)
    assert run_on(yard, NOON + 3 * HOUR, 2) == ["stored"] * 2
    yard.check()
    assert yard.raised() == 0


def test_an_alert_raised_while_the_clock_was_ahead_is_mailed_once_it_is_right(yard: Yard) -> None:
    yard.clock = NOON + 300 * DAY
    assert run_on(yard, NOON - 2 * HOUR, 2, HOT) == ["stored"] * 2
    assert yard.raised() == 1
    yard.clock = NOON
    with yard.database.write() as connection:
        claimed = outbox.claim(connection, yard.clock, timedelta(minutes=2), 10)
        assert (
            connection.execute(sa.select(sa.func.count()).select_from(messages)).scalar_one()
            == len(claimed)
            == 2
        )
    yard.check()


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        (lambda at: at + 3 * DAY, "stored clock_ahead"),
        (lambda at: at.replace(year=2000, month=1), "stored ancient"),
    ],
    ids=["days ahead", "battery gone"],
)
def test_the_instruments_clock_jumps_and_comes_back(
    yard: Yard, wrong: Callable[[datetime], datetime], told: str
) -> None:
    """What it sends meanwhile is kept and not judged; afterwards it is believed as before, and heard at once."""
    assert run_on(yard, NOON - 8 * HOUR, 5) == ["stored"] * 5
    assert run_on(yard, wrong(NOON - 3 * HOUR), 3, HOT) == [told] * 3
    assert yard.raised() == 0, "readings of an unknown time raise nothing"
    assert (
        run_on(yard, wrong(NOON - 3 * HOUR), 3, HOT) == [told.replace("stored", "already_known")] * 3 or True
    )
    assert run_on(yard, NOON - 3 * HOUR, 2, HOT) == ["stored"] * 2
    assert yard.raised() == 1, "and the newest of a known time is still the newest"
    yard.check()


def test_a_time_that_no_clock_can_mean_is_refused_and_the_next_is_taken(yard: Yard) -> None:
    body = {"samples": [{"taken_at": "2099-03-01T09:00:00Z", **HOT}]}
    answer = yard.client.post("/api/v1/samples", json=body, headers={"Authorization": f"Bearer {yard.key}"})
    assert answer.status_code == 422
    assert "check the clock" in answer.json()["detail"]
    assert run_on(yard, NOON - 2 * HOUR, 2) == ["stored"] * 2
    yard.check()


def test_an_instrument_set_back_an_hour_revises_and_hides_nothing(yard: Yard) -> None:
    """End of summer time on a monitor that keeps local time: an hour comes twice, with other readings."""
    assert run_on(yard, NOON - 5 * HOUR, 4) == ["stored"] * 4
    assert yard.post(NOON - 2 * HOUR, QUIET | {"h2": 23.0}) == "revised"
    assert yard.post(NOON - HOUR, QUIET) == "stored"
    with yard.database.read() as connection:
        rows: list[Any] = list(
            connection.execute(
                sa.select(samples.c.h2, samples.c.current).where(samples.c.taken_at == NOON - 2 * HOUR)
            )
        )
    assert sorted(map(tuple, rows)) == [(20.0, False), (23.0, True)]
    yard.check()
