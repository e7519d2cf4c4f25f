"""Service events, limits and nameplates registered afterwards: stored samples are judged by them, without a mail."""

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from fleet_cast import NOW, quiet

from app.domain.alerting.condition import Condition
from app.domain.alerting.conditions.confirmation import CONFIRMATION
from app.domain.alerting.conditions.gassing import GASSING
from app.domain.alerting.states import State
from app.domain.model import Reading, Sample
from app.services.recording.record_samples import BatchTerms, record_samples
from app.services.registering.load_fleet import load_fleet
from app.services.rejudging.judge_again import JudgedAgain
from app.store.alerting import alerts
from app.store.database import Database
from app.store.registering import fleet
from app.store.schema import alert_events, assessments, messages

TEXT = (Path(__file__).parents[2] / "data" / "fleet.yaml").read_text(encoding="utf-8")
LATER = NOW + timedelta(days=1)
QUIET = quiet("n2")
EVENT = "service_events:\n  - {{asset: {}, at: {:%Y-%m-%dT%H:%M:%SZ}, kind: {}}}\n"
LIMIT = "limits:\n  - {{scope: {}, of: {}, quantity: h2, typical: {}, high: {}}}\n"


def days_ago(days: float) -> datetime:
    return NOW - timedelta(days=days)


def record(
    database: Database, at: datetime, source: str = "LAB", asset: str = "W-T1", /, **gases: float
) -> int:
    n2 = 50_000.0 + (NOW - at) / timedelta(days=1)  # no two reports are alike in every figure
    readings = {n: Reading(n, value=v) for n, v in (QUIET | {"n2": n2} | gases).items()}
    sample = Sample(asset, "main", source, at, readings)
    (outcome,) = record_samples(database, source, [sample], NOW, BatchTerms("http://ullage.example"))
    assert outcome.sample_id is not None
    return outcome.sample_id


def load(database: Database, more: str, text: str = TEXT) -> JudgedAgain:
    return load_fleet(database, text + more, "fleet.yaml", LATER).judged_again


def verdict_of(database: Database, sample_id: int) -> tuple[int | None, bool]:
    query = sa.select(assessments.c.status, assessments.c.suspect).where(
        assessments.c.sample_id == sample_id, assessments.c.superseded_at.is_(None)
    )
    with database.read() as connection:
        row = connection.execute(query).one()
    return row.status, row.suspect


def state(database: Database, condition: Condition) -> State:
    with database.read() as connection:
        compartment_id = fleet.compartment_ids(connection, [("W-T1", "main")])["W-T1", "main"]
        found = alerts.states_of(connection, [compartment_id]).get((compartment_id, condition))
    return found.state.state if found else State.NORMAL


def count(database: Database, table: sa.Table) -> int:
    with database.read() as connection:
        return int(connection.execute(sa.select(sa.func.count()).select_from(table)).scalar_one())


def last_event(database: Database) -> Any:
    with database.read() as connection:
        return connection.execute(sa.select(alert_events).order_by(alert_events.c.id.desc())).first()


def test_an_oil_treatment_entered_afterwards_takes_a_false_alarm_back_quietly(
    fleet_database: Database,
) -> None:
    """H2 rises by 55 between two samples (IEEE C57.104-2019, Table 3: 40), but the oil was changed in between."""
    record(fleet_database, days_ago(300))
    newest = record(fleet_database, days_ago(1), h2=65.0)
    assert verdict_of(fleet_database, newest)[1] is True
    assert state(fleet_database, CONFIRMATION) is State.UNACKNOWLEDGED
    mails = count(fleet_database, messages)
    assert mails == 2
    again = load(fleet_database, EVENT.format("W-T1", days_ago(100), "oil_change"))
    assert (again.samples, again.changed > 0, again.alerts) == (2, True, 1)
    assert verdict_of(fleet_database, newest) == (1, False)
    assert state(fleet_database, CONFIRMATION) is State.RETURNED
    event = last_event(fleet_database)
    assert (event.reason, event.sample_id) == ("returned", newest)
    assert event.note.startswith("judged again: ")
    assert count(fleet_database, messages) == mails
    before = [count(fleet_database, table) for table in (assessments, alert_events)]
    assert load(fleet_database, EVENT.format("W-T1", days_ago(100), "oil_change")) == JudgedAgain()
    assert [count(fleet_database, table) for table in (assessments, alert_events)] == before


def test_a_wider_limit_of_the_owner_ends_an_alert_and_a_narrower_one_leaves_it_to_the_next_sample(
    fleet_database: Database,
) -> None:
    first = record(fleet_database, days_ago(1), h2=150.0)
    assert verdict_of(fleet_database, first)[0] in {2, 3}
    assert state(fleet_database, GASSING) is State.UNACKNOWLEDGED
    mails = count(fleet_database, messages)
    assert load(fleet_database, LIMIT.format("asset", "W-T1", 300, 600)).alerts == 1
    assert (verdict_of(fleet_database, first)[0], state(fleet_database, GASSING)) == (
        1,
        State.RETURNED,
    )
    assert load(fleet_database, LIMIT.format("asset", "W-T1", 100, 120)).alerts == 0
    assert verdict_of(fleet_database, first)[0] == 3
    assert state(fleet_database, GASSING) is State.RETURNED
    assert count(fleet_database, messages) == mails
    record(fleet_database, days_ago(0.5), h2=151.0)
    assert state(fleet_database, GASSING) is State.UNACKNOWLEDGED
    assert count(fleet_database, messages) == mails + 2


def test_a_monitor_s_readings_speak_as_often_as_it_takes_to_be_believed(fleet_database: Database) -> None:
    for i in range(14):
        record(fleet_database, days_ago(10 - i / 6), "W-T1-M", h2=150.0 + i / 10)
    assert state(fleet_database, GASSING) is State.UNACKNOWLEDGED
    again = load(fleet_database, LIMIT.format("asset", "W-T1", 300, 600))
    assert (again.samples, again.alerts) == (14, 1)
    assert state(fleet_database, GASSING) is State.RETURNED


def test_only_the_compartments_concerned_are_judged_again(fleet_database: Database) -> None:
    record(fleet_database, days_ago(1))
    record(fleet_database, days_ago(1), "LAB", "W-T2")
    record(fleet_database, days_ago(2), "LAB", "E-R1")
    assert load(fleet_database, LIMIT.format("asset", "W-T2", 70, 90)).samples == 1
    assert load(fleet_database, LIMIT.format("kind", "reactor", 70, 90)).samples == 1
    assert load(fleet_database, LIMIT.format("fleet", '""', 70, 90)).samples == 3
    assert load(fleet_database, EVENT.format("W-T1", days_ago(100), "degassing")).samples == 1
    text = TEXT.replace("year_energized: 2004", "year_energized: 2020")
    assert load(fleet_database, "", text).samples == 1
    renamed = text.replace("Step-up transformer 1", "Step-up transformer A").replace("Maker", "Makers")
    assert load(fleet_database, "", renamed) == JudgedAgain()


def test_a_younger_unit_is_judged_by_the_norms_of_its_age(fleet_database: Database) -> None:
    """IEEE C57.104-2019, Table 1: CO2 at O2/N2 up to 0.2 is 10 000 at 10 to 30 years, 5000 at 1 to 9."""
    one = record(fleet_database, days_ago(1), co2=7000.0)
    assert verdict_of(fleet_database, one)[0] == 1
    load(fleet_database, "", TEXT.replace("year_energized: 2004", "year_energized: 2020"))
    assert verdict_of(fleet_database, one)[0] == 2
