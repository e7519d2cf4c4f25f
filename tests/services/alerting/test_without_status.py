"""What needs no status alarms through the services: tap-changer oil, tests of the oil, water and paper, mailed once."""

from collections.abc import Mapping
from datetime import datetime, timedelta

import pytest
import sqlalchemy as sa
from fleet_cast import NOW, QUIET

from app.domain.alerting.states import State
from app.domain.model import Reading, Sample
from app.services.recording.record_samples import BatchTerms, record_samples
from app.store.alerting import alerts
from app.store.database import Database
from app.store.judging import assessments
from app.store.registering import fleet
from app.store.schema import daily_summaries, messages
from app.store.schema import sources as source_table

TERMS = BatchTerms("http://ullage.example")


def days_ago(days: float) -> datetime:
    return NOW - timedelta(days=days)


def record(database: Database, days: float, readings: Mapping[str, float], compartment: str = "main") -> int:
    at = days_ago(days)
    one = Sample("W-T1", compartment, "LAB", at, {n: Reading(n, value=v) for n, v in readings.items()})
    (outcome,) = record_samples(database, "LAB", [one], NOW, TERMS)
    assert outcome.sample_id is not None
    return outcome.sample_id


def states(database: Database, compartment: str = "main") -> dict[str, tuple[State, int]]:
    with database.read() as connection:
        own = fleet.compartment_ids(connection, [("W-T1", compartment)])["W-T1", compartment]
        found = alerts.states_of(connection, [own])
    return {c.name: (a.state.state, a.state.severity) for (_, c), a in found.items()}


def mails(database: Database) -> list[tuple[str, str]]:
    with database.read() as connection:
        query = sa.select(messages.c.subject, messages.c.text).order_by(messages.c.id)
        return [(r.subject, r.text) for r in connection.execute(query)]


def test_an_overheated_tap_changer_is_mailed_and_an_ordinary_one_is_not(fleet_database: Database) -> None:
    for i in range(5):
        levels = {"h2": 900.0, "ch4": 300.0, "c2h4": 250.0 + 5 * i, "c2h2": 3000.0 + 50 * i}
        record(fleet_database, 1000 - 180 * i, levels, "tap changer")
    assert mails(fleet_database) == []
    assert "own_record" not in states(fleet_database, "tap changer")
    record(fleet_database, 10, {"h2": 900.0, "ch4": 900.0, "c2h4": 3000.0, "c2h2": 3300.0}, "tap changer")
    assert states(fleet_database, "tap changer")["own_record"] == (State.UNACKNOWLEDGED, 4)
    said = mails(fleet_database)
    assert len(said) == 2  # one a contact
    subject, body = said[0]
    assert "gas against its own record, extreme" in subject
    text = " ".join(body.split())
    assert "No published norm for tap-changer oil" in text
    assert "contacts may be overheating or coking" in text
    assert "Investigate at once" in text
    assert "nobody operates the tap changer" in text
    assert "routine" not in text


def test_a_bad_test_of_the_oil_asks_for_another_one_and_then_counts(fleet_database: Database) -> None:
    record(fleet_database, 400, {**QUIET, "breakdown_voltage": 60.0})
    assert mails(fleet_database) == []
    record(fleet_database, 30, {**QUIET, "breakdown_voltage": 25.0})
    assert states(fleet_database)["oil"] == (State.UNACKNOWLEDGED, 1)
    assert "Repeat the test that stands out" in " ".join(mails(fleet_database)[0][1].split())
    record(fleet_database, 5, {**QUIET, "breakdown_voltage": 24.0})
    assert states(fleet_database)["oil"] == (State.UNACKNOWLEDGED, 2)
    record(fleet_database, 1, {**QUIET, "breakdown_voltage": 58.0})
    assert states(fleet_database)["oil"] == (State.RETURNED, 0)


@pytest.mark.parametrize(("temperature", "told"), [(58.0, True), (41.0, False), (None, False)])
def test_water_in_paper_is_told_from_the_days_of_the_unit_s_instruments(
    fleet_database: Database, temperature: float | None, told: bool
) -> None:
    with fleet_database.write() as connection:
        own = fleet.compartment_ids(connection, [("W-T1", "main")])["W-T1", "main"]
        source = connection.execute(
            sa.select(source_table.c.id).where(source_table.c.code == "W-T1-M")
        ).scalar_one()
        for day in range(1, 5) if temperature is not None else ():
            values = {"day": days_ago(10 + day).date(), "oil_temperature": temperature}
            row = {"compartment_id": own, "source_id": source, "count": 6, "below": 0, "ranges": {}}
            connection.execute(sa.insert(daily_summaries).values(**row, **values))
    sample = record(fleet_database, 10, {**QUIET, "water": 42.0, "oil_temperature": 60.0, "load": 0.8})
    with fleet_database.read() as connection:
        found = assessments.current_of(connection, [sample])[sample]["detail"]
    assert ("paper_water" in found["numbers"]) is told
    why = [f["text"] for f in found["findings"] if f["rule"] == "paper_water"]
    assert bool(why) is not told
    assert states(fleet_database)["water"][0] is State.UNACKNOWLEDGED
