"""A shelf ends by time, without a new sample: the alert comes back and its contacts are mailed."""

from datetime import timedelta

import sqlalchemy as sa
from fleet_cast import NOW, URL

from app.domain.model import Reading, Sample
from app.services.alerting.end_shelves import end_shelves
from app.services.alerting.handle_alert import shelve
from app.services.recording.record_samples import BatchTerms, record_samples
from app.store.database import Database
from app.store.schema import alert_events, alerts, messages


def test_a_shelf_that_is_over_brings_the_alert_back_and_mails(fleet_database: Database) -> None:
    readings = {"h2": 150.0, "ch4": 5.0, "c2h6": 4.0, "c2h4": 3.0, "c2h2": 0.0, "o2": 900.0, "n2": 50_000.0}
    sample = Sample("W-T1", "main", "LAB", NOW, {n: Reading(n, value=v) for n, v in readings.items()})
    record_samples(fleet_database, "LAB", [sample], NOW, BatchTerms(URL))
    with fleet_database.read() as connection:
        alert_id = connection.execute(sa.select(alerts.c.id)).scalar_one()
        before = connection.execute(sa.select(sa.func.count()).select_from(messages)).scalar_one()
    shelve(fleet_database, alert_id, NOW + timedelta(days=10), "W. Tch", "outage planned", NOW)
    assert end_shelves(fleet_database, NOW + timedelta(days=9), URL) == 0
    over = NOW + timedelta(days=11)
    assert end_shelves(fleet_database, over, URL) == 1
    assert end_shelves(fleet_database, over, URL) == 0
    with fleet_database.read() as connection:
        state = connection.execute(sa.select(alerts.c.state)).scalar_one()
        reasons = (
            connection.execute(sa.select(alert_events.c.reason).order_by(alert_events.c.id)).scalars().all()
        )
        told = connection.execute(sa.select(messages.c.subject).order_by(messages.c.id)).scalars().all()
    assert state == "unacknowledged"
    assert reasons == ["raised", "shelved", "unshelved"]
    assert len(told) == before * 2
    assert "shelving" in told[-1]
