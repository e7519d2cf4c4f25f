"""A look at an instrument on the record: findings kept once, going on, ended; alerts told; due when something came."""

from datetime import datetime, timedelta

import numpy as np
import pytest
import sqlalchemy as sa
from fleet_cast import FLEET, T0, URL

from app.domain.instruments.agreement import CheckRule
from app.domain.instruments.findings import Kind
from app.domain.model import Reading, Sample
from app.services.instruments.check_instruments import check_due, check_instrument
from app.services.recording.record_samples import BatchTerms, record_samples
from app.services.registering.load_fleet import load_fleet
from app.store.database import Database
from app.store.instruments import instrument_findings
from app.store.registering.source_lookup import find_source
from app.store.schema import alerts
from app.store.schema import instrument_findings as table

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
RULE = CheckRule()


def post(database: Database, begin: float, end: float, stuck_at: float | None = None) -> None:
    """Four-hourly readings of W-T2-M from day to day after T0; hydrogen noisy, or stuck."""
    hours = np.arange(begin * 24.0, end * 24.0, 4.0)
    samples = []
    for hour in hours:
        rng = np.random.default_rng(int(hour) + 100_000)
        h2 = stuck_at if stuck_at is not None else round(60.0 + 2.0 * rng.standard_normal(), 1)
        readings = {
            "h2": Reading("h2", value=h2),
            "co": Reading("co", value=round(400.0 + 8.0 * rng.standard_normal(), 1)),
        }
        samples.append(Sample("W-T2", "main", "W-T2-M", T0 + float(hour) * HOUR, readings))
    record_samples(database, "W-T2-M", samples, T0 + end * DAY, BatchTerms(URL))


def laboratory(database: Database, days: tuple[float, ...], co: float) -> None:
    samples = [
        Sample("W-T2", "main", "LAB", T0 + d * DAY, {"co": Reading("co", value=co + d % 3)}) for d in days
    ]
    record_samples(database, "LAB", samples, T0 + 90 * DAY, BatchTerms(URL))


def look(database: Database, day: float) -> list[tuple[Kind, str]]:
    found = check_instrument(database, "W-T2-M", T0 + day * DAY, RULE, URL)
    return [(f.kind, f.quantity) for f in found]


def stored(database: Database) -> list[tuple[str, str, datetime, datetime | None]]:
    with database.read() as connection:
        source = find_source(connection, "W-T2-M")
        assert source is not None
        found = instrument_findings.findings_of(connection, source.id)
    return [(f.finding.kind, f.finding.quantity, f.finding.begins_at, f.finding.ends_at) for f in found]


def told(database: Database) -> list[tuple[str, str, int, str]]:
    columns = (alerts.c.condition, alerts.c.state, alerts.c.severity, alerts.c.headline)
    query = sa.select(*columns).where(alerts.c.source_id.is_not(None)).order_by(alerts.c.condition)
    with database.read() as connection:
        return [tuple(row) for row in connection.execute(query)]


@pytest.fixture
def watched(database: Database) -> Database:
    load_fleet(database, FLEET.read_text(encoding="utf-8"), "fleet.yaml")
    return database


def test_a_healthy_month_is_nothing_to_tell(watched: Database) -> None:
    post(watched, 0, 30)
    assert look(watched, 30) == []
    assert stored(watched) == []
    assert told(watched) == []


def test_a_stuck_sensor_is_one_finding_that_goes_on_past_the_window_and_ends(watched: Database) -> None:
    post(watched, 0, 20)
    post(watched, 20, 25, stuck_at=61.3)
    assert look(watched, 25) == [(Kind.STUCK, "h2")]
    ((condition, state, severity, headline),) = told(watched)
    assert (condition, state, severity, headline) == ("data_quality", "unacknowledged", 2, "H₂: stuck")
    post(watched, 25, 55, stuck_at=61.3)
    assert look(watched, 55) == [(Kind.STUCK, "h2")]  # thirty days: all of the window is stuck
    assert stored(watched) == [("stuck", "h2", T0 + 20 * DAY, None)]
    post(watched, 55, 60)
    look(watched, 60)
    ((_, _, begins, ends),) = stored(watched)
    assert begins == T0 + 20 * DAY
    assert ends == T0 + 54 * DAY + 20 * HOUR
    post(watched, 60, 75)
    look(watched, 75)
    assert len(stored(watched)) == 1
    assert told(watched)[0][1:3] == ("returned", 0)  # a fortnight after its end


def test_looking_twice_changes_nothing(watched: Database) -> None:
    post(watched, 0, 20)
    post(watched, 20, 25, stuck_at=61.3)
    look(watched, 25)
    first, mails = stored(watched), _mails(watched)
    look(watched, 25)
    look(watched, 25.1)
    assert stored(watched) == first
    assert _mails(watched) == mails > 0


def _mails(database: Database) -> int:
    with database.read() as connection:
        return int(connection.execute(sa.text("SELECT count(*) FROM messages")).scalar_one())


def test_disagreement_with_the_laboratory_is_an_alert_of_its_own(watched: Database) -> None:
    post(watched, 0, 60)
    laboratory(watched, (10.4, 25.4, 40.4, 55.4), 280.0)
    assert look(watched, 60) == []
    ((condition, state, severity, headline),) = told(watched)
    assert (condition, state, severity) == ("agreement", "unacknowledged", 1)
    assert headline.startswith("against the laboratory: CO +4")


def test_a_finding_about_the_instrument_leaves_the_alert_about_the_unit_as_it_is(watched: Database) -> None:
    post(watched, 0, 20)
    post(watched, 20, 25, stuck_at=900.0)  # stuck or not, it is far above Table 2
    query = sa.select(alerts.c.condition, alerts.c.state, alerts.c.severity).where(
        alerts.c.compartment_id.is_not(None)
    )
    with watched.read() as connection:
        before = connection.execute(query).all()
    assert before
    assert (Kind.STUCK, "h2") in look(watched, 25)
    with watched.read() as connection:
        assert connection.execute(query).all() == before


def test_a_quantity_that_comes_no_more_is_missed(watched: Database) -> None:
    post(watched, 0, 25)
    samples = [
        Sample("W-T2", "main", "W-T2-M", T0 + 25 * DAY + 4 * i * HOUR, {"co": Reading("co", value=400.0 + i)})
        for i in range(18)
    ]
    record_samples(watched, "W-T2-M", samples, T0 + 28 * DAY, BatchTerms(URL))
    assert look(watched, 28) == [(Kind.MISSING, "h2")]
    assert stored(watched) == [("missing", "h2", T0 + 25 * DAY, None)]


def test_an_instrument_is_due_when_something_came_and_not_more_often_than_asked(watched: Database) -> None:
    post(watched, 0, 2)
    assert check_due(watched, T0 + 2 * DAY, RULE, URL) == 1
    assert check_due(watched, T0 + 2 * DAY + HOUR, RULE, URL) == 0
    assert check_due(watched, T0 + 4 * DAY, RULE, URL) == 0  # nothing came since
    post(watched, 4, 4.5)
    assert check_due(watched, T0 + 4.6 * DAY, RULE, URL) == 1


def test_an_unknown_instrument_is_refused(watched: Database) -> None:
    with pytest.raises(LookupError, match="no instrument 'NONE'"):
        check_instrument(watched, "NONE", T0, RULE, URL)


def test_findings_cannot_be_stored_twice(watched: Database) -> None:
    post(watched, 0, 20)
    post(watched, 20, 25, stuck_at=61.3)
    look(watched, 25)
    with watched.read() as connection:
        row = connection.execute(sa.select(table)).one()
    with pytest.raises(sa.exc.IntegrityError), watched.write() as connection:
        connection.execute(sa.insert(table).values(**{**row._mapping, "id": row.id + 1}))
