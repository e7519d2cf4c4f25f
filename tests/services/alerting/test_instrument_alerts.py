"""What a look at an instrument's readings tells: raised, worsened, eased and returned, mailed once each."""

import csv
import io
from datetime import timedelta
from typing import Any

import pytest
import sqlalchemy as sa
from fleet_cast import T0, URL

from app.domain.alerting.conditions.agreement import AGREEMENT
from app.domain.alerting.conditions.data_quality import DATA_QUALITY
from app.domain.alerting.conditions.silent import SILENT
from app.services.alerting.instrument_alerts import update_alerts
from app.services.exporting.export_files import Wanted, export
from app.store.database import Database
from app.store.exporting.exports import Scope
from app.store.schema import alert_events, alerts, messages, sources

DOUBT, AGAINST = DATA_QUALITY, AGREEMENT


def say(database: Database, hours: float, conditions: dict[Any, tuple[int, str]]) -> int:
    with database.write() as connection:
        source = connection.execute(sa.select(sources.c.id).where(sources.c.code == "W-T1-M")).scalar_one()
        return update_alerts(connection, source, conditions, T0 + timedelta(hours=hours), URL)


def stands(database: Database) -> dict[str, tuple[str, int, str]]:
    with database.read() as connection:
        rows = connection.execute(
            sa.select(alerts.c.condition, alerts.c.state, alerts.c.severity, alerts.c.headline)
        )
        return {row[0]: (row[1], row[2], row[3]) for row in rows}


def subjects(database: Database) -> list[str]:
    with database.read() as connection:
        query = sa.select(messages.c.subject).where(messages.c.to_address == "planner@weirs.example")
        return list(connection.execute(query.order_by(messages.c.id)).scalars())


def test_each_change_is_told_once_to_each_contact(fleet_database: Database) -> None:
    stuck = {DOUBT: (2, "H₂: stuck"), AGAINST: (0, "")}
    assert say(fleet_database, 0, stuck) == 2
    assert say(fleet_database, 1, stuck) == 0
    assert stands(fleet_database) == {DOUBT.name: ("unacknowledged", 2, "H₂: stuck")}
    assert say(fleet_database, 2, {DOUBT: (1, "H₂: spikes"), AGAINST: (1, "CO 40 % high")}) == 4
    assert say(fleet_database, 3, {}) == 4
    assert {state for state, _, _ in stands(fleet_database).values()} == {"returned"}
    start = "[Ullage] W-T1: instrument W-T1-M "
    assert subjects(fleet_database) == [
        f"{start}gives readings in doubt (raised)",
        f"{start}disagrees with the laboratory (raised)",
        f"{start}gives readings in doubt (eased)",
        f"{start}agrees with the laboratory again (back to normal)",
        f"{start}reads as it should again (back to normal)",
    ]


def test_the_mail_says_what_is_known_and_lowers_nothing_about_the_unit(fleet_database: Database) -> None:
    say(fleet_database, 0, {DOUBT: (2, "H₂: stuck")})
    with fleet_database.read() as connection:
        text, html = connection.execute(sa.select(messages.c.text, messages.c.html)).first() or ("", "")
    plain = " ".join(text.split())
    assert "H₂: stuck. A rise of the gas might not be seen on-line." in plain
    assert "alerts about W-T1 stand as they stood" in plain
    assert "Take a laboratory sample of W-T1" in plain
    assert "under negative pressure air is drawn" in plain
    assert "Open the alert" in html


def test_what_was_never_told_leaves_nothing_behind(fleet_database: Database) -> None:
    assert say(fleet_database, 0, {DOUBT: (0, ""), AGAINST: (0, "")}) == 0
    assert stands(fleet_database) == {}
    with fleet_database.read() as connection:
        assert connection.execute(sa.select(sa.func.count()).select_from(alert_events)).scalar() == 0


def test_the_look_at_readings_does_not_speak_of_silence(fleet_database: Database) -> None:
    with pytest.raises(ValueError, match="silent"):
        say(fleet_database, 0, {SILENT: (1, "late")})


def test_the_alert_of_an_instrument_is_exported_with_its_code(fleet_database: Database) -> None:
    say(fleet_database, 0, {DOUBT: (2, "H₂: stuck")})
    out = io.BytesIO()
    assert export(fleet_database, Wanted("alerts", Scope(site="W")), out) == 1
    (row,) = csv.DictReader(io.StringIO(out.getvalue().decode("utf-8-sig"), newline=""))
    assert (row["asset"], row["compartment"], row["instrument"]) == ("W-T1", "", "W-T1-M")
    assert (row["condition"], row["severity"]) == (DOUBT.name, "2")
