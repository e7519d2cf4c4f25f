"""The demo's record goes through the real services, quickly, and the engine says what the stories say."""

import shutil
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import monotonic

import pytest

from app.demo.fleet import DemoFleet, read_fleet
from app.demo.history import Demo
from app.demo.setup import issue_keys, prepare
from app.demo.stories import LIVE_DAYS, PLANS
from app.services.pages.alert_views import alert_groups
from app.services.pages.mail_view import mail_page
from app.services.recording.record_samples import BatchTerms, record_samples
from app.services.registering.authenticate import authenticate
from app.store.database import Database
from app.store.judging import assessments
from app.store.pages import view_samples

END = datetime(2026, 11, 25, 9, 12, tzinfo=UTC)
CONTEXT = BatchTerms("http://127.0.0.1:8809")


@pytest.fixture(scope="module")
def fleet() -> DemoFleet:
    return read_fleet()


@pytest.fixture(scope="module")
def demo(fleet: DemoFleet) -> Demo:
    return Demo(fleet.assets, fleet.service_events, END)


@pytest.fixture(scope="module")
def prepared(
    demo: Demo, fleet: DemoFleet, migrated_sqlite: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Database]:
    """A database with the demo's record; a whole set-up may take a minute on the demo's machine."""
    path = tmp_path_factory.mktemp("demo") / "ullage.db"
    shutil.copy(migrated_sqlite, path)
    database = Database(f"sqlite:///{path}")
    begun, said = monotonic(), list[str]()
    count = prepare(database, fleet, demo, CONTEXT.public_url, said.append)
    assert count > 8_000
    assert monotonic() - begun < 60.0
    assert len(said) == 2 + len(fleet.instruments)
    yield database
    database.dispose()


def newest_status(database: Database, fleet: DemoFleet, demo: Demo, code: str) -> tuple[int | None, bool]:
    """Of the newest laboratory sample; recording it again tells its id and changes nothing."""
    newest = demo.laboratory(fleet.laboratory.code, [code])[-1]
    (outcome,) = record_samples(database, fleet.laboratory.code, [newest], END, CONTEXT)
    assert outcome.result == "already_known"
    assert outcome.sample_id is not None
    with database.read() as connection:
        found = assessments.current_of(connection, [outcome.sample_id])[outcome.sample_id]
    return found["status"], found["suspect"]


@pytest.mark.parametrize("code", PLANS)
def test_newest_laboratory_sample_has_the_status_of_the_story(
    prepared: Database, fleet: DemoFleet, demo: Demo, code: str
) -> None:
    """Expected statuses are those tests/demo/test_normality.py works out from the tables themselves."""
    assert newest_status(prepared, fleet, demo, code) == (PLANS[code].expected, False)


def test_alerts_are_those_of_the_stories_and_some_are_handled(prepared: Database) -> None:
    states = {
        (alert.asset_code, alert.condition): group.state
        for group in alert_groups(prepared)
        for alert in group.alerts
    }
    assert states == {
        ("OST-T2", "gassing"): "unacknowledged",
        ("MAR-T2", "gassing"): "acknowledged",
        ("MAR-T2", "water"): "acknowledged",
        ("ZEP-T1", "gassing"): "acknowledged",
        ("ZEP-R1", "gassing"): "shelved",
        ("ZEP-S1", "confirmation"): "returned",
    }


def test_the_history_sends_no_mail(prepared: Database) -> None:
    assert mail_page(prepared, None, None).messages == ()


def test_every_instrument_has_a_key_of_its_own(prepared: Database, fleet: DemoFleet) -> None:
    keys = issue_keys(prepared, fleet, END)
    for code, key in keys.items():
        holder = authenticate(prepared, key, END)
        assert holder is not None
        assert (holder.scope, holder.source_code) == ("instrument", code)


def test_the_live_fault_goes_from_1_over_2_to_3_and_mails_each_step(
    prepared: Database, fleet: DemoFleet, demo: Demo
) -> None:
    instrument = fleet.instrument("QUE-T1-M")
    statuses: list[int] = []
    played = demo.online(instrument, -LIVE_DAYS, 0)
    for start in range(0, len(played), 4):
        batch = played[start : start + 4]
        outcomes = record_samples(prepared, instrument.code, batch, END, CONTEXT)
        ids = [o.sample_id for o in outcomes if o.sample_id is not None]
        with prepared.read() as connection:
            found = view_samples.samples_by_id(connection, ids)
        statuses += [found[i].status or 0 for i in ids]
    assert [s for i, s in enumerate(statuses) if i == 0 or s != statuses[i - 1]] == [1, 2, 3]
    first, second = statuses.index(2), statuses.index(3)
    assert played[first].taken_at > END - timedelta(days=50)
    assert played[second].taken_at < END - timedelta(days=20)
    with prepared.read() as connection:
        last = view_samples.samples_by_id(connection, [ids[-1]])[ids[-1]]
    assert last.fault == "T3"
    subjects = [m.subject for m in mail_page(prepared, None, None).messages]
    assert len(subjects) == 6  # status 2, status 3 and extreme, to two contacts of the site
