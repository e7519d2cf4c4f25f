"""Judging again, under the rules as they are now: no mail, no alert moves, nothing is lost."""

from datetime import timedelta

import pytest
import sqlalchemy as sa
from fleet_cast import NOW, QUIET

from app.domain.judging.engine import Judgement, assess
from app.domain.judging.frame import DailyMedians, SampleFrame
from app.domain.judging.norms import Norming
from app.domain.model import Reading, Sample
from app.services.recording.record_samples import BatchTerms, record_samples
from app.services.rejudging.reassess import reassess
from app.store.database import Database
from app.store.judging import assessments
from app.store.schema import alert_events, alerts, messages
from app.store.schema import assessments as assessment_rows

LATER = NOW + timedelta(days=1)


def record(database: Database, days_ago: float, source: str = "LAB", **gases: float) -> int:
    readings = {n: Reading(n, value=v) for n, v in (QUIET | gases).items()}
    sample = Sample("W-T1", "main", source, NOW - timedelta(days=days_ago), readings)
    outcome = record_samples(database, source, [sample], NOW, BatchTerms("http://ullage.example"))[0]
    assert outcome.sample_id is not None
    return outcome.sample_id


def everything(database: Database, table: sa.Table) -> list[tuple[object, ...]]:
    with database.read() as connection:
        return [tuple(r) for r in connection.execute(sa.select(table).order_by(table.c.id))]


@pytest.fixture
def recorded(fleet_database: Database) -> Database:
    """A unit that gasses: three laboratory samples and two readings of its monitor."""
    record(fleet_database, 400)
    record(fleet_database, 30, c2h4=400.0, ch4=250.0)
    record(fleet_database, 10, c2h4=420.0, ch4=260.0)
    record(fleet_database, 2, "W-T1-M", c2h4=430.0)
    record(fleet_database, 1, "W-T1-M", c2h4=431.0)
    return fleet_database


def test_under_the_same_rules_nothing_changes(recorded: Database) -> None:
    before = everything(recorded, assessment_rows)
    told: list[tuple[int, int]] = []
    judged, changed = reassess(recorded, LATER, lambda done, count: told.append((done, count)))
    assert judged == 5
    assert told == [(1, 2), (2, 2)], "one series of the laboratory, one of the monitor"
    assert changed == 0
    after = everything(recorded, assessment_rows)
    assert len(after) == len(before) + changed


def test_new_rules_supersede_the_old_assessments_and_keep_them(
    recorded: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = everything(recorded, assessment_rows)
    alarm, events, mail = (everything(recorded, t) for t in (alerts, alert_events, messages))
    assert alarm
    assert mail
    monkeypatch.setattr("app.domain.judging.report.RULE_SET", "test.1")
    told = len(before)
    assert reassess(recorded, LATER) == (5, told)

    after = everything(recorded, assessment_rows)
    assert len(after) == 2 * told
    with recorded.read() as connection:
        rows = connection.execute(sa.select(assessment_rows)).mappings().all()
        for sample_id in {row["sample_id"] for row in rows}:
            current = assessments.current_of(connection, [sample_id])[sample_id]
            assert current["rule_set"] == "test.1"
    old = [row for row in rows if row["rule_set"] != "test.1"]
    new = [row for row in rows if row["rule_set"] == "test.1"]
    assert len(old) == len(before)
    assert all(row["superseded_at"] is not None for row in old)
    assert all(row["superseded_at"] is None for row in new)
    assert {row["detail"]["status"] for row in old} == {row["detail"]["status"] for row in new}

    assert everything(recorded, alerts) == alarm, "no alert moves"
    assert everything(recorded, alert_events) == events
    assert everything(recorded, messages) == mail, "nobody is mailed"


def test_rules_that_judge_worse_mail_nobody(recorded: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    """Even where every sample of a quiet history would now be of status 3."""
    alarm, mail = everything(recorded, alerts), everything(recorded, messages)

    def strict(
        frame: SampleFrame, daily: DailyMedians | None = None, norming: Norming | None = None
    ) -> Judgement:
        judgement = assess(frame, daily, norming)
        judgement.changes.status[:] = 3
        return judgement

    monkeypatch.setattr("app.services.judging.laboratory_series.assess", strict)
    judged, changed = reassess(recorded, LATER)
    assert judged == 5
    assert changed >= 1
    assert everything(recorded, alerts) == alarm
    assert everything(recorded, messages) == mail


def test_a_second_time_changes_nothing_more(recorded: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("app.domain.judging.report.RULE_SET", "test.1")
    reassess(recorded, LATER)
    assert reassess(recorded, LATER + timedelta(hours=1)) == (5, 0)


def test_an_empty_database_has_nothing_to_judge(fleet_database: Database) -> None:
    assert reassess(fleet_database, NOW) == (0, 0)
