"""What putting right says to the alerts, and who is mailed about it: the newest sample speaks, an old one does not."""

from datetime import datetime, timedelta

import sqlalchemy as sa
from fleet_cast import NOW, URL, quiet

from app.domain.alerting.condition import Condition
from app.domain.alerting.conditions.confirmation import CONFIRMATION
from app.domain.alerting.conditions.gassing import GASSING
from app.domain.alerting.states import State
from app.domain.model import Reading, Sample
from app.services.correcting.put_right import edit_sample, exclude_sample, restore_sample
from app.services.recording.record_samples import BatchTerms, record_samples
from app.services.recording.sample_contents import contents_of
from app.store.alerting import alerts
from app.store.correcting.corrections import By, Contents
from app.store.database import Database
from app.store.registering import fleet
from app.store.schema import alert_events, messages

BY = By("R. Oster", "digits swapped", NOW)
QUIET = quiet("c2h2", "n2")
QUIET |= {"n2": 50_000.0, "c2h2": 0.0}
ALARMING = {"h2": 400.0, "c2h2": 90.0, "c2h4": 150.0}
"""Above every limit of IEEE C57.104-2019, Table 2."""


def days_ago(days: float) -> datetime:
    return NOW - timedelta(days=days)


def record(database: Database, at: datetime, **gases: float) -> int:
    n2 = 50_000.0 + (NOW - at) / timedelta(days=1)  # no two reports are alike in every figure
    readings = {n: Reading(n, value=v) for n, v in (QUIET | {"n2": n2} | gases).items()}
    sample = Sample("W-T1", "main", "LAB", at, readings)
    (outcome,) = record_samples(database, "LAB", [sample], NOW, BatchTerms(URL))
    assert outcome.sample_id is not None
    return outcome.sample_id


def edit(database: Database, sample_id: int, after: timedelta = timedelta(0), /, **gases: float) -> int:
    with database.read() as connection:
        was = contents_of(connection, sample_id)
    new = Contents({**was.readings, **{n: Reading(n, value=v) for n, v in gases.items()}})
    return edit_sample(database, sample_id, new, By(BY.author, BY.reason, NOW + after), URL)


def state(database: Database, condition: Condition = GASSING) -> State:
    with database.read() as connection:
        compartment_id = fleet.compartment_ids(connection, [("W-T1", "main")])["W-T1", "main"]
        found = alerts.states_of(connection, [compartment_id]).get((compartment_id, condition))
    return found.state.state if found else State.NORMAL


def mails(database: Database, to: str = "planner@weirs.example") -> list[str]:
    """Why each mail to one contact went out, in order; each has a Message-ID of its own."""
    query = (
        sa.select(messages.c.message_id, messages.c.to_address, alert_events.c.reason)
        .join(alert_events, alert_events.c.id == messages.c.alert_event_id)
        .order_by(messages.c.id)
    )
    with database.read() as connection:
        found = connection.execute(query).all()
    ids = [r.message_id for r in found]
    assert len(set(ids)) == len(ids)
    return [r.reason for r in found if r.to_address == to]


def test_edits_of_the_newest_sample_up_and_down_tell_each_change_once(fleet_database: Database) -> None:
    record(fleet_database, days_ago(300))
    one = record(fleet_database, days_ago(1), **ALARMING)
    assert mails(fleet_database) == ["raised"]
    minute = timedelta(minutes=1)
    two = edit(fleet_database, one, minute, **{n: QUIET[n] for n in ALARMING})
    assert (state(fleet_database), mails(fleet_database)) == (State.RETURNED, ["raised", "returned"])
    three = edit(fleet_database, two, 2 * minute, **ALARMING)
    assert state(fleet_database) is state(fleet_database, CONFIRMATION) is State.UNACKNOWLEDGED
    assert mails(fleet_database) == ["raised", "returned", "raised"]
    edit(fleet_database, three, 3 * minute, h2=401.0)  # nothing about the alert changes
    assert mails(fleet_database) == ["raised", "returned", "raised"]


def test_excluding_the_only_sample_and_restoring_it_tells_both(fleet_database: Database) -> None:
    only = record(fleet_database, days_ago(1), **ALARMING)
    assert (state(fleet_database), mails(fleet_database)) == (State.UNACKNOWLEDGED, ["raised"])
    exclude_sample(fleet_database, only, BY, URL)
    assert (state(fleet_database), mails(fleet_database)) == (State.RETURNED, ["raised", "returned"])
    restore_sample(fleet_database, only, BY, URL)
    assert state(fleet_database) is State.UNACKNOWLEDGED
    assert mails(fleet_database) == ["raised", "returned", "raised"]


def test_an_alarming_correction_of_an_old_sample_is_told_by_the_course_of_the_newest(
    fleet_database: Database,
) -> None:
    """The low sample after it is in doubt: where the gas went is not on record."""
    old = record(fleet_database, days_ago(300))
    record(fleet_database, days_ago(1))
    assert mails(fleet_database) == []
    new = edit(fleet_database, old, **ALARMING)
    exclude_sample(fleet_database, new, BY, URL)
    restore_sample(fleet_database, new, BY, URL)
    assert mails(fleet_database) == ["raised", "returned", "raised"]
    assert state(fleet_database) is State.UNACKNOWLEDGED
