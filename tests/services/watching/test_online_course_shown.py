"""The course of an on-line series wherever a unit is read: fleet list, its page, a sample, the interface, the trace."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime

import pytest
import sqlalchemy as sa
from fleet_cast import FLEET, QUIET, T0, URL
from monitor_cast import DAY, look, post, record, source_id

from app.domain.findings import Course
from app.domain.model import EventKind, Reading, Sample
from app.services.exporting.read_samples import PlacedSample, read_newest, read_sample
from app.services.judging.explain import explain_sample
from app.services.pages.asset_view import AssetView, asset_view
from app.services.pages.fleet_overview import FleetQuery, FleetRow, fleet_overview
from app.services.pages.sample_view import sample_detail
from app.services.recording.record_samples import BatchTerms, record_samples
from app.services.registering.load_fleet import load_fleet
from app.services.watching.watch_days import watch_instrument
from app.store.database import Database
from app.store.schema import online_courses, samples


@pytest.fixture
def rising(database: Database) -> Database:
    """A year and a month at rest, one percent a day for 25 days, looked at, and one reading more on the day after."""
    load_fleet(database, FLEET.read_text(encoding="utf-8"), "fleet.yaml")
    post(database, 0, 425, per_day=0.01, since=400)
    look(database, 425)
    post(database, 425, 426, per_day=0.01, since=400)
    return database


def row_of(database: Database, now: datetime) -> FleetRow:
    rows = fleet_overview(database, FleetQuery(), now).rows
    return next(r for r in rows if r.unit.asset.code == "W-T2" and r.unit.compartment.name == "main")


def page(database: Database) -> AssetView:
    view = asset_view(database, "W-T2", "main")
    assert view is not None
    return view


def newest(database: Database) -> PlacedSample:
    found = read_newest(database, "W-T2")
    assert found is not None
    return next(one for one in found if one.compartment.name == "main")


def of(sample: PlacedSample) -> Course | None:
    assert sample.sample.assessment is not None
    return sample.sample.assessment.course


def test_a_fresh_reading_carries_the_course_of_its_days_and_says_of_which(rising: Database) -> None:
    with rising.read() as connection:
        kept = connection.execute(sa.select(online_courses)).one()
    day = (T0 + 424 * DAY).date().isoformat()
    course = of(newest(rising))
    assert course is not None
    assert (course.state, course.gravity, course.as_of) == (kept.state, kept.gravity, day)
    assert course.state == "rising"
    assert course.why[0] == f"By the days up to {day} gas has been rising on-line since about {course.since}."
    now = T0 + 426 * DAY
    row, view = row_of(rising, now), page(rising)
    assert row.course == view.course == course
    assert row.gravity == course.gravity >= 1
    assert row.newest is not None
    assert row.newest.gravity == course.gravity
    detail = sample_detail(rising, newest(rising).sample.id)
    assert detail is not None
    assert detail.sample.assessment is not None
    assert detail.sample.assessment.course == course
    trace = list(explain_sample(rising, newest(rising).sample.id))
    assert f"6. Course of the unit, up to {day}" in trace
    assert any(f"(on-line, up to {day})" in line for line in trace)
    assert "7. Verdict" in trace


def test_it_asks_for_a_sample_from_when_it_was_told_whatever_is_read_later(rising: Database) -> None:
    row = row_of(rising, T0 + 426 * DAY)
    assert row.advice is not None
    assert row.advice.urgency == "changed"
    told = (T0 + 425 * DAY).date()
    assert row.due == told + 7 * DAY
    assert "left its own record" in row.advice.actions[0].text
    post(rising, 426, 428, per_day=0.01, since=400)
    assert row_of(rising, T0 + 428 * DAY).due == told + 7 * DAY
    readings = {n: Reading(n, value=v) for n, v in QUIET.items()}
    record_samples(
        rising,
        "LAB",
        [Sample("W-T2", "main", "LAB", T0 + 427 * DAY, readings)],
        T0 + 428 * DAY,
        BatchTerms(URL),
    )
    view = page(rising)
    online = next(v for v in (view.verdict, view.second) if v and v.sample.source_code == "W-T2-M")
    assert online.advice.next_sample_due == (T0 + 427 * DAY).date() + 90 * DAY


def test_an_older_reading_carries_no_course_of_later_days(rising: Database) -> None:
    with rising.read() as connection:
        query = sa.select(samples.c.id).order_by(samples.c.taken_at.desc()).limit(3)
        _, on_the_day, before = connection.execute(query).scalars()
    shown = [read_sample(rising, i) for i in (on_the_day, before)]
    assert all(one is not None for one in shown)
    assert [of(one) is not None for one in shown if one] == [True, False]


def test_a_graver_reading_is_not_told_by_the_course_of_yesterday(rising: Database) -> None:
    post(rising, 426, 428, level=3.5)
    course = of(newest(rising))
    assert course is not None
    assert course.gravity >= 3
    assert course.as_of == (T0 + 424 * DAY).date().isoformat()
    assert course.why[-1].startswith("The reading after that is graver by itself: gravity ")
    assert row_of(rising, T0 + 428 * DAY).course == course


def test_the_course_ends_with_its_baseline_though_no_day_of_the_new_one_is_over(rising: Database) -> None:
    record(rising, EventKind.OIL_CHANGE, 426)
    assert watch_instrument(rising, source_id(rising), T0 + 427 * DAY, URL) == []
    with rising.read() as connection:
        assert connection.execute(sa.select(online_courses)).all() == []
    view = page(rising)
    assert view.course is None
    assert view.not_watched.startswith(
        "No day of the instrument's readings of this oil has been looked at yet"
    )
    assert {a.state for a in view.alerts if a.condition == "online_change"} == {"returned"}


@contextmanager
def statements(database: Database) -> Iterator[list[str]]:
    said: list[str] = []

    def note(_c: object, _cursor: object, statement: str, *_rest: object) -> None:
        said.append(statement)

    sa.event.listen(database.engine, "before_cursor_execute", note)
    try:
        yield said
    finally:
        sa.event.remove(database.engine, "before_cursor_execute", note)


def test_the_fleet_list_reads_all_courses_at_once(rising: Database) -> None:
    """Two queries for the gravity of units, two for the courses of those shown, however many have one."""
    now = T0 + 426 * DAY
    with statements(rising) as one:
        fleet_overview(rising, FleetQuery(), now)
    with rising.write() as connection:
        row = connection.execute(sa.select(online_courses)).one()._asdict()
        pairs = connection.execute(
            sa.text("SELECT source_id, compartment_id FROM source_compartments WHERE source_id <> :own"),
            {"own": row["source_id"]},
        ).all()
        assert pairs
        for source, compartment in pairs:
            more = {**row, "source_id": source, "compartment_id": compartment}
            connection.execute(sa.insert(online_courses).values(more))
    with statements(rising) as many:
        fleet_overview(rising, FleetQuery(), now)
    reading = [s for s in many if "online_courses" in s]
    assert len(many) == len(one)
    assert len(reading) == len([s for s in one if "online_courses" in s]) <= 4
