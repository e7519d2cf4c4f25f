"""The spine, on both databases: identity, revisions, late data, assessments, alerts and one mail per contact."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa
from fleet_cast import NOW, QUIET

from app.domain.alerting.condition import Condition
from app.domain.alerting.conditions.confirmation import CONFIRMATION
from app.domain.alerting.conditions.gassing import GASSING
from app.domain.alerting.states import State
from app.domain.model import Reading, Rejection, Sample
from app.services.recording.outcomes import Outcome
from app.services.recording.record_samples import BatchTerms, UnknownSourceError, record_samples
from app.services.registering.load_fleet import load_fleet
from app.store.alerting import alerts
from app.store.database import Database
from app.store.judging import assessments
from app.store.registering import fleet
from app.store.schema import alert_events, daily_summaries, messages, samples

CONTEXT = BatchTerms("http://ullage.example")


def sample(
    at: datetime, source: str = "LAB", asset: str = "W-T1", /, compartment: str = "main", **gases: float
) -> Sample:
    readings = {n: Reading(n, value=v) for n, v in (QUIET | gases).items()}
    return Sample(asset, compartment, source, at, readings)


def record(database: Database, *batch: Sample | Rejection, now: datetime = NOW) -> list[Outcome]:
    source = next((s.source_code for s in batch if isinstance(s, Sample)), "LAB")
    return record_samples(database, source, batch, now, CONTEXT)


def count(database: Database, table: sa.Table) -> int:
    with database.read() as connection:
        return int(connection.execute(sa.select(sa.func.count()).select_from(table)).scalar_one())


def state(database: Database, condition: Condition = GASSING, asset: str = "W-T1") -> tuple[State, int]:
    with database.read() as connection:
        compartment_id = fleet.compartment_ids(connection, [(asset, "main")])[asset, "main"]
        found = alerts.states_of(connection, [compartment_id]).get((compartment_id, condition))
    return (found.state.state, found.state.severity) if found else (State.NORMAL, 0)


def status_of(database: Database, sample_id: int | None) -> int | None:
    assert sample_id is not None
    with database.read() as connection:
        found = assessments.current_of(connection, [sample_id])[sample_id]["status"]
    return found if found is None else int(found)


def days_ago(days: float) -> datetime:
    return NOW - timedelta(days=days)


def test_a_sample_is_stored_assessed_and_known_the_second_time(fleet_database: Database) -> None:
    one = sample(days_ago(1))
    first, second = record(fleet_database, one)[0], record(fleet_database, one)[0]
    assert (first.result, second.result) == ("stored", "already_known")
    assert first.sample_id == second.sample_id
    assert status_of(fleet_database, first.sample_id) == 1
    assert count(fleet_database, samples) == 1


def test_a_batch_answers_in_order_and_takes_repeats_within_itself(fleet_database: Database) -> None:
    one, other = sample(days_ago(2)), sample(days_ago(1))
    corrected = sample(days_ago(2), h2=11.0)
    outcomes = record(fleet_database, one, Rejection("h2", "is text"), other, one, corrected)
    assert [o.result for o in outcomes] == ["stored", "rejected", "stored", "already_known", "revised"]
    assert outcomes[1] == Outcome("rejected", field="h2", reason="is text")


def test_a_correction_is_a_revision_and_the_old_one_is_kept(fleet_database: Database) -> None:
    at = days_ago(1)
    before = record(fleet_database, sample(at, c2h4=300.0))[0]
    after = record(fleet_database, sample(at, c2h4=3.0))[0]
    assert (before.result, after.result) == ("stored", "revised")
    with fleet_database.read() as connection:
        rows = connection.execute(sa.select(samples).order_by(samples.c.revision)).all()
    assert [(r.revision, r.current, r.c2h4) for r in rows] == [(1, False, 300.0), (2, True, 3.0)]
    assert status_of(fleet_database, after.sample_id) == 1


def test_an_unknown_source_and_an_unknown_compartment_are_told(fleet_database: Database) -> None:
    with pytest.raises(UnknownSourceError, match="NOBODY"):
        record_samples(fleet_database, "NOBODY", [], NOW, CONTEXT)
    outcome = record(fleet_database, sample(days_ago(1), compartment="attic"))[0]
    assert (outcome.result, outcome.field) == ("rejected", "compartment")


def test_a_high_laboratory_sample_raises_an_alert_and_mails_each_contact_once(
    fleet_database: Database,
) -> None:
    record(fleet_database, sample(days_ago(200)))
    assert count(fleet_database, messages) == 0
    record(fleet_database, sample(days_ago(1), c2h4=400.0, ch4=250.0, h2=120.0))
    assert state(fleet_database) == (State.UNACKNOWLEDGED, 4), (
        "ethylene rose by an extreme amount, confirmed or not"
    )
    assert state(fleet_database, CONFIRMATION) == (State.UNACKNOWLEDGED, 3)
    with fleet_database.read() as connection:
        mails = connection.execute(sa.select(messages).order_by(messages.c.to_address)).all()
    assert [m.to_address for m in mails] == ["planner@weirs.example", "watch@weirs.example"]
    text = mails[0].text
    assert mails[0].subject.startswith(
        "[Ullage] W-T1 main: status 3 extreme, thermal fault above 700 °C (raised)"
    )
    for words in (
        "400 µL/L",
        "IEEE C57.104-2019, 6.1.3 Table 2",
        "WHAT TO DO NEXT",
        "http://ullage.example/assets/W-T1",
    ):
        assert words in text
    assert "positive pressure" in " ".join(text.split()), "the cautions of sampling"


def test_a_state_does_not_mail_again(fleet_database: Database) -> None:
    for days, c2h4 in ((30, 400.0), (20, 402.0), (10, 399.0)):
        record(fleet_database, sample(days_ago(days), c2h4=c2h4, ch4=250.0))
    assert count(fleet_database, messages) == 2


def test_a_history_that_rose_and_fell_mails_nobody_but_is_recorded(fleet_database: Database) -> None:
    record(fleet_database, sample(days_ago(300)), sample(days_ago(200), c2h4=400.0), sample(days_ago(100)))
    assert count(fleet_database, messages) == 0
    assert count(fleet_database, alert_events) >= 2


def test_a_late_sample_that_changes_no_course_says_nothing_and_is_judged_at_its_time(
    fleet_database: Database,
) -> None:
    newest = record(fleet_database, sample(days_ago(200)), sample(days_ago(10), h2=11.0))[1]
    late = record(fleet_database, sample(days_ago(100), c2h4=400.0))[0]
    assert status_of(fleet_database, late.sample_id) == 3
    assert status_of(fleet_database, newest.sample_id) == 1
    assert state(fleet_database) == (State.NORMAL, 0)
    assert count(fleet_database, messages) == 0


def test_the_alert_is_the_same_in_whatever_order_samples_come(fleet_database: Database) -> None:
    """The first sample of a record was high, and one low sample after it does not say where the gas went."""
    record(fleet_database, sample(days_ago(10)))
    record(fleet_database, sample(days_ago(100), c2h4=400.0))
    late = state(fleet_database)
    for at, c2h4 in ((100, 400.0), (10, QUIET["c2h4"])):
        record(fleet_database, sample(days_ago(at), "LAB", "W-T2", c2h4=c2h4))
    assert late == state(fleet_database, asset="W-T2")
    assert late[1] >= 3


def test_a_late_sample_judges_what_came_after_it_again_and_keeps_the_old_judgement(
    fleet_database: Database,
) -> None:
    record(fleet_database, sample(days_ago(400)))
    newest = record(fleet_database, sample(days_ago(10), h2=70.0))[0]
    assert newest.sample_id is not None
    record(fleet_database, sample(days_ago(100), h2=65.0))
    with fleet_database.read() as connection:
        history = assessments.history_of(connection, newest.sample_id)
    assert [h["superseded_at"] is None for h in history] == [False, True]
    assert history[0]["detail"]["deltas"]["h2"] == pytest.approx(60.0)
    assert any(f["rule"] == "confirmed" for f in history[1]["detail"]["findings"])


def test_one_odd_reading_of_a_monitor_raises_nothing_two_do(fleet_database: Database) -> None:
    hours = [days_ago(3) + timedelta(hours=4 * i) for i in range(12)]
    record(fleet_database, *(sample(at, "W-T1-M") for at in hours[:9]))
    record(fleet_database, sample(hours[9], "W-T1-M", c2h4=400.0))
    assert state(fleet_database) == (State.NORMAL, 0)
    record(fleet_database, sample(hours[10], "W-T1-M", c2h4=405.0))
    assert state(fleet_database) == (State.UNACKNOWLEDGED, 3)
    assert count(fleet_database, messages) == 2


def test_daily_summaries_follow_the_readings_of_their_day(fleet_database: Database) -> None:
    day = datetime(2026, 2, 20, tzinfo=UTC)
    record(
        fleet_database,
        *(sample(day + timedelta(hours=h), "W-T1-M", h2=v) for h, v in ((0, 10.0), (8, 30.0), (16, 14.0))),
    )
    record(fleet_database, sample(day + timedelta(hours=20), "W-T1-M", h2=16.0))
    with fleet_database.read() as connection:
        row = connection.execute(sa.select(daily_summaries)).one()
    assert row._mapping["count"] == 4
    assert row.h2 == pytest.approx(15.0)


def test_a_monitor_without_oxygen_is_judged_by_the_laboratory_ratio(fleet_database: Database) -> None:
    readings = {n: Reading(n, value=v) for n, v in (QUIET | {"h2": 60.0}).items() if n not in {"o2", "n2"}}
    bare = Sample("W-T1", "main", "W-T1-M", days_ago(1), readings)
    before = record(fleet_database, bare)[0]
    assert status_of(fleet_database, before.sample_id) == 2, (
        "O2/N2 unknown: 60 is above the 40 of the high side"
    )
    record(fleet_database, sample(days_ago(90)))
    after = record(fleet_database, Sample("W-T1", "main", "W-T1-M", days_ago(0.5), readings))[0]
    assert status_of(fleet_database, after.sample_id) == 1, "O2/N2 0.018 from the laboratory: 60 is below 75"


def test_nothing_is_stored_when_anything_fails(
    fleet_database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("disk on fire")

    monkeypatch.setattr("app.services.rejudging.follow_up.raise_alerts", broken)
    with pytest.raises(RuntimeError):
        record(fleet_database, sample(days_ago(1)))
    assert count(fleet_database, samples) == 0


def test_a_copy_of_the_last_report_is_doubted_and_asks_for_a_confirmation_sample(
    fleet_database: Database,
) -> None:
    record(fleet_database, sample(days_ago(200)))
    record(fleet_database, sample(days_ago(10)))
    assert state(fleet_database, CONFIRMATION) == (State.UNACKNOWLEDGED, 2)
    assert state(fleet_database) == (State.NORMAL, 0)


def test_the_owner_s_limits_judge_where_there_are_any(fleet_database: Database) -> None:
    text = (Path(__file__).parents[2] / "data" / "fleet.yaml").read_text(encoding="utf-8")
    limits = "limits:\n  - {scope: asset, of: W-T1, quantity: h2, typical: 8, high: 200, note: new unit}\n"
    load_fleet(fleet_database, text + limits, "fleet.yaml")
    outcome = record(fleet_database, sample(days_ago(1)))[0]
    assert status_of(fleet_database, outcome.sample_id) == 2, "10 is above the owner's 8"
