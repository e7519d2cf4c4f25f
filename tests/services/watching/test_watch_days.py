"""The daily look at an instrument's days: kept, told, mailed; due once a day; late readings, restarts and reviews."""

from datetime import date, timedelta

import pytest
import sqlalchemy as sa
from fleet_cast import FLEET, T0, URL
from monitor_cast import DAY, look, post, record, source_id

from app.domain.model import EventKind
from app.services.alerting.end_shelves import end_shelves
from app.services.alerting.handle_alert import acknowledge, shelve
from app.services.judging.online_courses import online_courses_of
from app.services.pages.asset_view import asset_view
from app.services.registering.load_fleet import load_fleet
from app.services.watching.watch_days import watch_due, watch_instrument
from app.store.database import Database
from app.store.schema import (
    alert_events,
    alerts,
    daily_summaries,
    messages,
    online_courses,
    samples,
)


def told(database: Database) -> list[tuple[str, int, str]]:
    query = sa.select(alerts.c.state, alerts.c.severity, alerts.c.headline).where(
        alerts.c.condition == "online_change"
    )
    with database.read() as connection:
        return [tuple(row) for row in connection.execute(query)]


def mails(database: Database) -> list[tuple[str, str]]:
    query = (
        sa.select(messages.c.subject, messages.c.text)
        .join(alert_events, alert_events.c.id == messages.c.alert_event_id)
        .join(alerts, alerts.c.id == alert_events.c.alert_id)
        .where(alerts.c.condition == "online_change")
        .order_by(messages.c.id)
    )
    with database.read() as connection:
        return [tuple(row) for row in connection.execute(query)]


@pytest.fixture
def fleet(database: Database) -> Database:
    load_fleet(database, FLEET.read_text(encoding="utf-8"), "fleet.yaml")
    return database


@pytest.fixture
def rising(fleet: Database) -> Database:
    """A year and a month at rest, then one percent a day for 25 days."""
    post(fleet, 0, 425, per_day=0.01, since=400)
    return fleet


def test_what_is_found_is_kept_and_a_quiet_unit_is_told_nothing(fleet: Database) -> None:
    post(fleet, 0, 100)
    young = look(fleet, 100)
    assert (young.watch.blind, young.watch.learned, young.watch.day) == (
        True,
        100,
        str((T0 + 99 * DAY).date()),
    )
    with fleet.read() as connection:
        row = connection.execute(sa.select(online_courses)).one()
        compartment = row.compartment_id
        kept = next(iter(online_courses_of(connection, [compartment]).get(compartment, ())), None)
    assert kept is not None
    assert kept.found == young
    assert (row.state, row.gravity, row.severity, row.since) == ("quiet", 0, 0, None)
    assert (row.day, kept.source_code) == ((T0 + 99 * DAY).date(), "W-T2-M")
    post(fleet, 100, 425)
    assert not look(fleet, 425).watch.blind
    assert told(fleet) == []


def verdicts(database: Database) -> list[tuple[object, ...]]:
    query = sa.select(samples.c.taken_at, samples.c.status, samples.c.fault).order_by(samples.c.taken_at)
    with database.read() as connection:
        return [tuple(row) for row in connection.execute(query)]


def test_a_change_makes_one_alert_and_one_mail_and_no_status(rising: Database) -> None:
    before = verdicts(rising)
    found = look(rising, 425)
    assert found.watch.severity == 1
    assert {c.gas for c in found.watch.gases} >= {"h2", "ch4"}
    assert found.course.state == "rising"
    ((state, severity, headline),) = told(rising)
    assert (state, severity) == ("unacknowledged", 1)
    assert "CH₄ +" in headline
    assert "since about" in headline
    sent = mails(rising)
    assert len(sent) >= 1
    subject, text = sent[0]
    assert "W-T2" in subject
    assert "Take a laboratory sample of W-T2, before any limit is reached" in " ".join(text.split())
    assert "It raises no status" in " ".join(text.split())
    look(rising, 425)
    assert len(mails(rising)) == len(sent)
    assert verdicts(rising) == before
    page = asset_view(rising, "W-T2", "main")
    assert page is not None
    assert [one.found for one in page.online] == [found]
    assert found.state_words.startswith("rising since 20")
    assert found.changed in headline


def test_it_gets_worse_returns_when_the_gas_is_back_and_says_so_by_mail(rising: Database) -> None:
    look(rising, 425)
    before = len(mails(rising))
    post(rising, 425, 460, per_day=0.01, since=400)
    look(rising, 460)
    ((state, severity, _),) = told(rising)
    assert (state, severity) == ("unacknowledged", 2)
    assert "at once" in mails(rising)[-1][1]
    post(rising, 460, 520)
    look(rising, 520)
    ((state, severity, headline),) = told(rising)
    assert (state, severity) == ("returned", 0)
    assert headline == "Back to its own record, or its level was reviewed"
    assert len(mails(rising)) == 3 * before


def test_a_review_and_a_degassing_end_it_and_the_new_level_is_watched(rising: Database) -> None:
    post(rising, 425, 450, level=0.25)
    look(rising, 450)
    assert told(rising)[0][1] >= 1
    record(rising, EventKind.REVIEW, 450)
    post(rising, 450, 451, level=0.25)
    look(rising, 451)
    assert told(rising)[0][:2] == ("returned", 0)
    post(rising, 451, 520, level=0.25)
    after = look(rising, 520)
    assert (after.watch.severity, after.watch.blind) == (0, False)
    record(rising, EventKind.DEGASSING, 520)
    post(rising, 520, 560, level=-1.0)
    restarted = look(rising, 560)
    assert (restarted.watch.blind, restarted.watch.learned) == (True, 39)
    assert restarted.watch.since == str((T0 + 521 * DAY).date())


def test_the_next_look_takes_late_and_corrected_readings(fleet: Database) -> None:
    post(fleet, 0, 405, per_day=0.01, since=400)
    post(fleet, 420, 425, per_day=0.01, since=400)
    few = look(fleet, 425).watch
    post(fleet, 405, 420, per_day=0.01, since=400)
    assert look(fleet, 425).watch.learned != few.learned or look(fleet, 425).watch != few
    assert told(fleet)[0][1] == 1
    post(fleet, 400, 425)  # corrected: nothing had risen
    assert look(fleet, 425).watch.severity == 0
    assert told(fleet)[0][0] == "returned"


def test_it_is_due_once_a_day_when_the_day_is_over(rising: Database) -> None:
    noon = T0 + 425 * DAY + DAY / 2
    assert watch_due(rising, noon, URL) == 1
    assert watch_due(rising, noon + DAY / 4, URL) == 0
    midnight = T0 + 426 * DAY
    assert watch_due(rising, midnight + timedelta(minutes=59), URL) == 0
    assert watch_due(rising, midnight + timedelta(minutes=61), URL) == 1
    assert watch_due(rising, midnight + timedelta(minutes=62), URL) == 0
    assert watch_due(rising, noon + 500 * DAY, URL) == 0  # nobody has heard it for more than a year
    with rising.read() as connection:
        assert connection.execute(sa.select(online_courses.c.day)).scalar_one() == (T0 + 424 * DAY).date()


def test_a_shelf_ends_with_a_mail_and_an_alert_can_be_acknowledged(rising: Database) -> None:
    look(rising, 425)
    now = T0 + 425 * DAY + DAY / 2
    with rising.read() as connection:
        alert = connection.execute(
            sa.select(alerts.c.id).where(alerts.c.condition == "online_change")
        ).scalar_one()
    shelve(rising, alert, now + DAY, "A. Person", "sample on its way", now)
    before = len(mails(rising))
    assert end_shelves(rising, now + 2 * DAY, URL) == 1
    assert len(mails(rising)) == 2 * before
    acknowledge(rising, alert, "A. Person", "", now + 2 * DAY)
    assert told(rising)[0][0] == "acknowledged"


def test_an_instrument_without_days_is_left_alone(fleet: Database) -> None:
    assert watch_instrument(fleet, source_id(fleet), T0, URL) == []
    with fleet.read() as connection:
        assert connection.execute(sa.select(sa.func.count()).select_from(daily_summaries)).scalar_one() == 0
        assert online_courses_of(connection, [1]) == {}
    assert date(2020, 1, 1) < T0.date()
