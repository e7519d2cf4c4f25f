"""The watch over silence on the record: told once, told together, mailed once to each contact, by several workers too.

The fleet of tests/data/fleet.yaml with more instruments put to its sites; posts are notes of when each was heard.
"""

import threading
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta

import pytest
import sqlalchemy as sa
from fleet_cast import FLEET, T0, URL

from app.domain.instruments.silence import SilenceRule
from app.domain.model import Reading, Sample, Source, SourceKind
from app.services.alerting.end_shelves import end_shelves
from app.services.alerting.handle_alert import acknowledge, shelve
from app.services.instruments.check_silence import check_silence
from app.services.recording.record_samples import BatchTerms, record_samples
from app.services.registering.load_fleet import load_fleet
from app.store.bulk import upsert_rows
from app.store.database import Database
from app.store.registering import registration
from app.store.schema import (
    alert_events,
    alerts,
    instrument_states,
    maintenance_spells,
    messages,
    sites,
    sources,
)

HOUR = timedelta(hours=1)
MINUTE = timedelta(minutes=1)
RULE = SilenceRule(gap=timedelta(days=1000))
"""The tests look only when something is to be seen; only one of them asks what happens after a gap."""


def register(database: Database, *codes: str, asset: str) -> None:
    with database.write() as connection:
        for code in codes:
            kind = SourceKind.INSTRUMENT
            source = Source(code, f"Monitor {code}", kind, asset, ("main",), expected_interval_minutes=240)
            registration.upsert_source(connection, source)


def hear(database: Database, at: datetime, *codes: str) -> None:
    with database.write() as connection:
        query = sa.select(sources.c.id).where(sources.c.code.in_(codes))
        ids = connection.execute(query).scalars().all()
        assert len(ids) == len(codes)
        columns = ("source_id", "heard_at", "newest_taken_at", "token")
        upsert_rows(connection, instrument_states, columns, [(i, at, at, 0) for i in ids])


def check(database: Database, at: datetime, rule: SilenceRule = RULE) -> int:
    return check_silence(database, at, rule, URL)


def of_subjects(database: Database) -> dict[str, tuple[str, int]]:
    """State and severity by the code of the instrument or site; the fleet's under its condition."""
    with database.read() as connection:
        rows = connection.execute(
            sa.select(alerts.c.condition, alerts.c.state, alerts.c.severity, sources.c.code, sites.c.code)
            .outerjoin(sources, sources.c.id == alerts.c.source_id)
            .outerjoin(sites, sites.c.id == alerts.c.site_id)
            .where(alerts.c.headline != "")
        )
        return {
            code or site or condition: (state, severity) for condition, state, severity, code, site in rows
        }


def mails(database: Database, to: str = "planner@weirs.example") -> list[str]:
    with database.read() as connection:
        query = sa.select(messages.c.subject).where(messages.c.to_address == to).order_by(messages.c.id)
        return [subject.removeprefix("[Ullage] ") for subject in connection.execute(query).scalars()]


def newest_text(database: Database) -> str:
    with database.read() as connection:
        text: str = connection.execute(
            sa.select(messages.c.text).order_by(messages.c.id.desc()).limit(1)
        ).scalar_one()
    return " ".join(text.split())


def reasons(database: Database) -> list[str]:
    with database.read() as connection:
        return list(
            connection.execute(sa.select(alert_events.c.reason).order_by(alert_events.c.id)).scalars()
        )


@pytest.fixture
def one(fleet_database: Database) -> Database:
    """One instrument that was heard at T0; the other was never heard."""
    check(fleet_database, T0)
    hear(fleet_database, T0, "W-T1-M")
    return fleet_database


def test_late_silent_and_back_are_each_told_once(one: Database) -> None:
    assert check(one, T0 + 8 * HOUR) == 0
    for at in (9, 10, 12, 16):
        check(one, T0 + at * HOUR)
    assert of_subjects(one) == {"W-T1-M": ("unacknowledged", 1)}
    for at in (17, 18, 30):
        check(one, T0 + at * HOUR)
    assert of_subjects(one) == {"W-T1-M": ("unacknowledged", 2)}
    text = newest_text(one)
    assert "One is expected every 4 h" in text or "one is expected every 4 h" in text
    assert "does the instrument have power" in text
    assert "nobody opens live equipment" in text
    hear(one, T0 + 31 * HOUR, "W-T1-M")
    check(one, T0 + 31 * HOUR + MINUTE)
    check(one, T0 + 32 * HOUR)
    assert of_subjects(one) == {"W-T1-M": ("returned", 0)}
    assert reasons(one) == ["raised", "worsened", "returned"]
    expected = [
        "W-T1: instrument W-T1-M is late (raised)",
        "W-T1: instrument W-T1-M is silent (worsened)",
        "W-T1: instrument W-T1-M is heard again after 31 h (back to normal)",
    ]
    assert mails(one) == expected
    assert mails(one, "watch@weirs.example") == expected
    assert "about 6, none has come in so far" in newest_text(one)


def test_one_episode_is_one_thread_and_the_next_another(one: Database) -> None:
    check(one, T0 + 9 * HOUR)
    check(one, T0 + 17 * HOUR)
    hear(one, T0 + 20 * HOUR, "W-T1-M")
    check(one, T0 + 20 * HOUR)
    check(one, T0 + 29 * HOUR)
    with one.read() as connection:
        query = sa.select(messages.c.thread_id).where(messages.c.to_address == "planner@weirs.example")
        threads = connection.execute(query.order_by(messages.c.id)).scalars().all()
    assert len(threads) == 4
    assert threads[0] == threads[1] == threads[2] != threads[3]


def test_the_backlog_that_came_is_told(one: Database) -> None:
    check(one, T0 + 9 * HOUR)
    check(one, T0 + 17 * HOUR)
    again = T0 + 20 * HOUR
    taken = [T0 + i * HOUR for i in (4, 8, 12, 20)]
    rows = [Sample("W-T1", "main", "W-T1-M", at, {"h2": Reading("h2", value=20.0)}) for at in taken]
    record_samples(one, "W-T1-M", rows, again, BatchTerms(URL))
    hear(one, again, "W-T1-M")
    check(one, again + MINUTE)
    assert mails(one)[-1] == "W-T1: instrument W-T1-M is heard again after 20 h (back to normal)"
    assert "Of about 4 readings of that time 3 have come in so far." in newest_text(one)


def test_one_never_heard_and_one_in_maintenance_are_told_nothing(one: Database) -> None:
    with one.write() as connection:
        source = connection.execute(sa.select(sources.c.id).where(sources.c.code == "W-T1-M")).scalar_one()
        row = {"source_id": source, "begins_at": T0 + HOUR, "ends_at": T0 + 40 * HOUR}
        connection.execute(sa.insert(maintenance_spells).values(**row, author="F. Itter", note="new pump"))
    for at in (9, 17, 41, 44):
        check(one, T0 + at * HOUR)
    assert of_subjects(one) == {}
    assert mails(one) == []
    check(one, T0 + 45 * HOUR)
    assert of_subjects(one) == {"W-T1-M": ("unacknowledged", 2)}


def test_acknowledged_and_shelved_as_any_other_and_back_by_time(one: Database) -> None:
    check(one, T0 + 9 * HOUR)
    with one.read() as connection:
        alert_id = connection.execute(
            sa.select(alerts.c.id).where(alerts.c.condition == "silent")
        ).scalar_one()
    acknowledge(one, alert_id, "P. Anner", "seen", T0 + 10 * HOUR)
    assert of_subjects(one)["W-T1-M"] == ("acknowledged", 1)
    check(one, T0 + 17 * HOUR)
    assert of_subjects(one)["W-T1-M"] == ("unacknowledged", 2)
    shelve(one, alert_id, T0 + 60 * HOUR, "P. Anner", "gateway is away for repair", T0 + 18 * HOUR)
    hear(one, T0 + 20 * HOUR, "W-T1-M")
    check(one, T0 + 20 * HOUR)
    check(one, T0 + 29 * HOUR)
    before = mails(one)
    assert of_subjects(one)["W-T1-M"] == ("shelved", 1)
    assert end_shelves(one, T0 + 61 * HOUR, URL) == 1
    assert mails(one)[len(before) :] == ["W-T1: instrument W-T1-M is late (the shelving has ended)"]


# --- together ---------------------------------------------------------------------------------------------

WEST = ("W-T1-M", "W-T2-M", "W-T1-N", "W-T2-N")


@pytest.fixture
def west(fleet_database: Database) -> Database:
    """Four instruments of one site, each heard at its own turn of the four hours up to T0."""
    register(fleet_database, "W-T1-N", asset="W-T1")
    register(fleet_database, "W-T2-N", asset="W-T2")
    check(fleet_database, T0 - 5 * HOUR)
    for turn, code in enumerate(WEST):
        hear(fleet_database, T0 - turn * HOUR, code)
    return fleet_database


def checks(database: Database, first: datetime, hours: Iterable[float]) -> None:
    for hour in hours:
        check(database, first + hour * HOUR)


def test_a_site_that_falls_silent_is_one_alert_and_one_mail(west: Database) -> None:
    checks(west, T0, [0.5 * i for i in range(80)])
    told = of_subjects(west)
    assert told == {"W": ("unacknowledged", 2), **dict.fromkeys(WEST, ("unacknowledged", 2))}
    assert mails(west) == ["West Weir: 4 instruments fell silent together (raised)"]
    assert mails(west, "watch@weirs.example") == mails(west)
    text = newest_text(west)
    for code in WEST:
        assert code in text
    assert "is the site's link up" in text


def test_when_all_are_back_one_mail_says_so(west: Database) -> None:
    checks(west, T0, [0.5 * i for i in range(40)])
    for turn, code in enumerate(reversed(WEST)):
        hear(west, T0 + (20 + turn) * HOUR, code)
        check(west, T0 + (20 + turn) * HOUR + MINUTE)
    assert mails(west)[1:] == ["West Weir: all 4 instruments are heard again (back to normal)"]
    assert set(of_subjects(west).values()) == {("returned", 0)}


def test_when_some_come_back_those_remaining_are_told_together(west: Database) -> None:
    checks(west, T0, [0.5 * i for i in range(40)])
    for hours in range(20, 26):
        hear(west, T0 + hours * HOUR, "W-T1-M", "W-T2-M", "W-T1-N")
        check(west, T0 + hours * HOUR + MINUTE)
    assert mails(west)[1:] == ["West Weir: 3 of 4 instruments are heard again (eased)"]
    assert "Still silent: W-T2-N." in newest_text(west)
    told = of_subjects(west)
    assert (told["W"], told["W-T2-N"]) == (("unacknowledged", 1), ("unacknowledged", 2))
    hear(west, T0 + 26 * HOUR, *WEST)
    check(west, T0 + 26 * HOUR + MINUTE)
    assert of_subjects(west)["W"] == ("returned", 0)
    assert len(mails(west)) == 3


def test_a_member_that_falls_silent_again_after_its_return_is_told_by_itself(west: Database) -> None:
    checks(west, T0, [0.5 * i for i in range(40)])
    hear(west, T0 + 20 * HOUR, *WEST)
    check(west, T0 + 20 * HOUR + MINUTE)
    for hours in range(21, 32):
        hear(west, T0 + hours * HOUR, *WEST[1:])
        check(west, T0 + hours * HOUR + MINUTE)
    assert mails(west)[2:] == ["W-T1: instrument W-T1-M is late (raised)"]


def test_who_acknowledges_the_site_has_seen_its_instruments(west: Database) -> None:
    checks(west, T0, [0.5 * i for i in range(40)])
    with west.read() as connection:
        query = sa.select(alerts.c.id).where(alerts.c.condition == "site_silent")
        alert_id = connection.execute(query).scalar_one()
    acknowledge(west, alert_id, "P. Anner", "line is cut", T0 + 20 * HOUR)
    assert of_subjects(west) == dict.fromkeys(("W", *WEST), ("acknowledged", 2))
    hear(west, T0 + 21 * HOUR, *WEST)
    check(west, T0 + 21 * HOUR)
    assert of_subjects(west) == dict.fromkeys(("W", *WEST), ("normal", 0))


def test_the_whole_fleet_is_one_mail_and_points_at_the_service(west: Database) -> None:
    register(west, "E-R1-M", "E-R1-N", asset="E-R1")
    hear(west, T0 - HOUR, "E-R1-M")
    hear(west, T0 - 2 * HOUR, "E-R1-N")
    checks(west, T0, [0.5 * i for i in range(40)])
    assert mails(west) == ["Whole fleet: 6 instruments fell silent together (raised)"]
    assert mails(west, "watch@weirs.example") == mails(west)
    assert "Look at this service first" in newest_text(west)
    told = of_subjects(west)
    assert (told["fleet_silent"], told["W"], told["E"]) == (("unacknowledged", 2),) * 3
    hear(west, T0 + 20 * HOUR, *WEST, "E-R1-M", "E-R1-N")
    check(west, T0 + 20 * HOUR + MINUTE)
    assert mails(west)[1:] == ["Whole fleet: all 6 instruments are heard again (back to normal)"]
    assert set(of_subjects(west).values()) == {("returned", 0)}


# --- the service's own clock and absence ------------------------------------------------------------------


def test_an_outage_of_the_service_itself_raises_no_storm(west: Database) -> None:
    rule = SilenceRule()
    for step in range(60):
        check(west, T0 + step * MINUTE, rule)
    up = T0 + 50 * HOUR
    for step in range(0, 4 * 60, 5):
        check(west, up + step * MINUTE, rule)
    assert of_subjects(west) == {}
    hear(west, up + 4 * HOUR, *WEST[:3])
    for step in range(4 * 60, 5 * 60, 5):
        check(west, up + step * MINUTE, rule)
    assert of_subjects(west) == {"W-T2-N": ("unacknowledged", 2)}


@pytest.mark.parametrize("jump", [-40 * HOUR, 40 * HOUR, 9000 * HOUR], ids=["back", "forward", "a year"])
def test_a_clock_that_jumps_and_comes_back_tells_nothing(west: Database, jump: timedelta) -> None:
    rule = SilenceRule()
    for step in range(0, 30, 5):
        check(west, T0 + step * MINUTE, rule)
    for step in range(30, 60, 5):
        check(west, T0 + jump + step * MINUTE, rule)
    hear(west, T0 + jump + 60 * MINUTE, "W-T1-M")
    for step in range(60, 180, 5):
        check(west, T0 + step * MINUTE, rule)
    assert of_subjects(west) == {}
    assert mails(west) == []


def test_a_time_noted_by_a_clock_far_ahead_does_not_hide_a_silence(one: Database) -> None:
    hear(one, T0 + 9000 * HOUR, "W-T1-M")
    check(one, T0 + HOUR)
    check(one, T0 + 18 * HOUR + MINUTE)
    assert of_subjects(one) == {"W-T1-M": ("unacknowledged", 2)}


# --- several workers --------------------------------------------------------------------------------------


@pytest.mark.postgresql
def test_workers_at_once_tell_each_change_once(postgresql_database: Database) -> None:
    load_fleet(postgresql_database, FLEET.read_text(encoding="utf-8"), "fleet.yaml")
    check(postgresql_database, T0)
    hear(postgresql_database, T0, "W-T1-M")
    for hours in (9, 17):
        ready = threading.Barrier(4)

        def work(ready: threading.Barrier = ready, hours: int = hours) -> None:
            ready.wait()
            for _ in range(5):
                check(postgresql_database, T0 + hours * HOUR)

        workers = [threading.Thread(target=work) for _ in range(4)]
        for worker in workers:
            worker.start()
        for worker in workers:
            worker.join(60)
        check(postgresql_database, T0 + hours * HOUR)
    assert of_subjects(postgresql_database) == {"W-T1-M": ("unacknowledged", 2)}
    assert reasons(postgresql_database) == ["raised", "worsened"]
    assert len(mails(postgresql_database)) == len(mails(postgresql_database, "watch@weirs.example")) == 2
    with postgresql_database.read() as connection:
        assert connection.execute(sa.select(sa.func.count()).select_from(alerts)).scalar() == 2


@pytest.mark.postgresql
def test_who_acknowledges_while_the_watch_looks_waits_and_is_heard(postgresql_database: Database) -> None:
    """The watch holds all its alerts in the order of their ids, an acknowledgement the site's before its members'."""
    load_fleet(postgresql_database, FLEET.read_text(encoding="utf-8"), "fleet.yaml")
    check(postgresql_database, T0)
    hear(postgresql_database, T0, "W-T1-M", "W-T2-M")
    check(postgresql_database, T0 + 17 * HOUR)
    with postgresql_database.read() as connection:
        query = sa.select(alerts.c.id).where(alerts.c.condition == "site_silent")
        alert_id = connection.execute(query).scalar_one()
    over = threading.Event()

    def look() -> None:
        while not over.is_set():
            check(postgresql_database, T0 + 17 * HOUR)

    with ThreadPoolExecutor(2) as pool:
        watching = [pool.submit(look) for _ in range(2)]
        try:
            for _ in range(20):
                acknowledge(postgresql_database, alert_id, "P. Anner", "seen", T0 + 17 * HOUR)
                with postgresql_database.write() as connection:
                    connection.execute(sa.select(alerts.c.id).order_by(alerts.c.id).with_for_update()).all()
                    unseen = sa.update(alerts).values(state="unacknowledged").where(alerts.c.severity > 0)
                    connection.execute(unseen)
        finally:
            over.set()
        for thread in watching:
            thread.result(30)
    assert reasons(postgresql_database).count("acknowledged") == 60
