"""What putting right does around the sample: several sources, later reports, copies, and two people at once."""

import io
import threading
from datetime import datetime, timedelta
from typing import Any

import pytest
import sqlalchemy as sa
from fleet_cast import NOW, URL, quiet

from app.domain.alerting.condition import Condition
from app.domain.alerting.conditions.gassing import GASSING
from app.domain.alerting.states import State
from app.domain.model import Reading, Sample
from app.intake.files.profile import load_profile
from app.services.correcting import sample_places
from app.services.correcting.put_right import (
    Place,
    Undone,
    edit_sample,
    exclude_sample,
    move_sample,
    restore_sample,
    undo_file,
)
from app.services.exporting.export_files import Wanted, export
from app.services.files.import_file import ImportChoices, ImportResult, import_file
from app.services.recording.record_samples import BatchTerms, record_samples
from app.services.recording.sample_contents import PutRightError, contents_of
from app.store.alerting import alerts
from app.store.correcting.corrections import By, Contents
from app.store.database import Database
from app.store.exporting.exports import Scope
from app.store.registering import fleet
from app.store.schema import alert_events, daily_summaries, messages, samples, sources

BY = By("R. Oster", "digits swapped", NOW)
QUIET = quiet("c2h2", "n2")
QUIET |= {"n2": 50_000.0, "c2h2": 0.0}
HEADER = (
    "Plant no.;Serial no.;Drawn on;Drawn at;Oil of;Lab no.;Remark;Oil temperature (°C);Hydrogen (ppm);"
    "Methane (ppm);Ethane (ppm);Ethylene (ppm);Acetylene (ppm);Carbon monoxide (ppm);Carbon dioxide (ppm);"
    "Oxygen (ppm);Nitrogen (ppm);Water (mg/kg)"
)
ALARMING = {"h2": 400.0, "c2h2": 90.0, "c2h4": 150.0}
"""Above every limit of IEEE C57.104-2019, Table 2."""


def days_ago(days: float) -> datetime:
    return NOW - timedelta(days=days)


def record(
    database: Database, at: datetime, source: str = "LAB", asset: str = "W-T1", /, **gases: float
) -> int:
    n2 = 50_000.0 + (NOW - at) / timedelta(days=1)  # no two reports are alike in every figure
    readings = {n: Reading(n, value=v) for n, v in (QUIET | {"n2": n2} | gases).items()}
    sample = Sample(asset, "main", source, at, readings)
    (outcome,) = record_samples(database, source, [sample], NOW, BatchTerms(URL))
    assert outcome.sample_id is not None
    return outcome.sample_id


def edit(database: Database, sample_id: int, after: timedelta = timedelta(0), /, **gases: float) -> int:
    with database.read() as connection:
        was = contents_of(connection, sample_id)
    new = Contents({**was.readings, **{n: Reading(n, value=v) for n, v in gases.items()}})
    return edit_sample(database, sample_id, new, By(BY.author, BY.reason, NOW + after), URL)


def stored_alert(database: Database, condition: Condition, asset: str = "W-T1") -> alerts.StoredAlert | None:
    with database.read() as connection:
        compartment_id = fleet.compartment_ids(connection, [(asset, "main")])[asset, "main"]
        return alerts.states_of(connection, [compartment_id]).get((compartment_id, condition))


def state(database: Database, condition: Condition = GASSING, asset: str = "W-T1") -> State:
    found = stored_alert(database, condition, asset)
    return found.state.state if found else State.NORMAL


def row(database: Database, sample_id: int) -> Any:
    with database.read() as connection:
        return connection.execute(sa.select(samples).where(samples.c.id == sample_id)).one()


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


def all_of(database: Database, table: sa.Table) -> list[tuple[Any, ...]]:
    with database.read() as connection:
        return [tuple(r) for r in connection.execute(sa.select(table))]


# --- a file of several sources ----------------------------------------------------------------------------


def file_of_two_sources(database: Database) -> int:
    """What was exported of W-T1, imported as if it were of W-T2: a laboratory's row and eight of the monitor's."""
    record(database, days_ago(40), h2=20.0)
    for i in range(8):
        record(database, days_ago(9 - i), "W-T1-M", **ALARMING)
    out = io.BytesIO()
    assert export(database, Wanted("samples", Scope(asset="W-T1")), out) == 9
    content = out.getvalue().replace(b"W-T1", b"W-T2").replace(b"SN-100", b"007")
    choices = ImportChoices(profile=load_profile("ullage"))
    context = BatchTerms(URL)
    done = import_file(database, content, "out.csv", "LAB", "R. Oster", NOW, context, choices)
    assert done.problems == ()
    assert done.counts["new"] == 9
    assert done.file_id is not None
    return done.file_id


def medians(database: Database) -> dict[str, int]:
    query = (
        sa.select(sources.c.code, sa.func.count())
        .join(daily_summaries, daily_summaries.c.source_id == sources.c.id)
        .group_by(sources.c.code)
    )
    with database.read() as connection:
        return {row.code: row[1] for row in connection.execute(query)}


def laboratory_file(*rows: tuple[datetime, float]) -> bytes:
    """Rows of W-T1: day and hydrogen."""
    lines = [
        f"W-T1;;{at:%d.%m.%Y};08:30;Main tank;;;40;{h2:g};5;4;3;0;200;2000;900;{50_000 + i};10"
        for i, (at, h2) in enumerate(rows)
    ]
    return "\r\n".join((HEADER, *lines, "")).encode("cp1252")


def take(database: Database, content: bytes) -> ImportResult:
    done = import_file(database, content, "a.csv", "LAB", "R. Oster", NOW, BatchTerms(URL))
    assert done.problems == ()
    return done


def test_undoing_a_file_of_several_sources_follows_up_each_of_them(fleet_database: Database) -> None:
    file_id = file_of_two_sources(fleet_database)
    assert medians(fleet_database) == {"W-T1-M": 8, "W-T2-M": 8}
    raised = stored_alert(fleet_database, GASSING, "W-T2")
    assert raised is not None
    assert raised.state.memory["W-T2-M"]["severity"] == 4, "90 µL/L of acetylene is extreme"
    told = mails(fleet_database)
    assert undo_file(fleet_database, file_id, BY, URL) == Undone(9, 0)
    assert medians(fleet_database) == {"W-T1-M": 8}
    after = stored_alert(fleet_database, GASSING, "W-T2")
    assert after is not None
    assert after.state.memory["W-T2-M"]["severity"] == 0
    assert after.state.state is State.RETURNED
    assert mails(fleet_database) == [*told, "returned"]
    assert state(fleet_database) is State.UNACKNOWLEDGED, "of the unit that the file is not about"


def test_readings_before_those_of_an_undone_file_speak_for_the_monitor_again(
    fleet_database: Database,
) -> None:
    for i in range(12):
        record(fleet_database, days_ago(60 - i / 6), "W-T2-M", "W-T2")
    file_id = file_of_two_sources(fleet_database)
    assert state(fleet_database, asset="W-T2") is State.UNACKNOWLEDGED
    undo_file(fleet_database, file_id, BY, URL)
    assert state(fleet_database, asset="W-T2") is State.RETURNED


def test_what_the_monitor_showed_before_what_was_taken_away_still_counts(fleet_database: Database) -> None:
    """The newest reading was as alarming as those before it, so taking it away clears nothing."""
    ids = [record(fleet_database, days_ago(20 - i), "W-T1-M", **ALARMING) for i in range(14)]
    assert state(fleet_database) is State.UNACKNOWLEDGED
    exclude_sample(fleet_database, ids[-1], BY, URL)
    assert state(fleet_database) is State.UNACKNOWLEDGED
    for sample_id in reversed(ids[:-1]):
        exclude_sample(fleet_database, sample_id, BY, URL)
    assert state(fleet_database) is State.RETURNED


def test_what_an_excluded_row_of_a_file_had_replaced_counts_after_the_undo(fleet_database: Database) -> None:
    """The file's row had been excluded by hand: undoing the file brings the earlier revision back, judged."""
    at = days_ago(20)
    done = [take(fleet_database, laboratory_file((at, h2))) for h2 in (300.0, 10.0)]
    assert state(fleet_database) is State.RETURNED
    wrong, file_id = done[1].rows[0].sample_id, done[1].file_id
    assert wrong is not None
    assert file_id is not None
    record(fleet_database, days_ago(40), "LAB", "W-T2")
    with fleet_database.write() as connection:  # the file holds a second row, so that it can be undone
        connection.execute(
            sa.update(samples).where(samples.c.taken_at == days_ago(40)).values(file_id=file_id)
        )
    exclude_sample(fleet_database, wrong, BY, URL)
    assert undo_file(fleet_database, file_id, BY, URL) == Undone(1, 1)
    assert state(fleet_database) is State.UNACKNOWLEDGED


def test_undoing_asks_the_database_a_number_of_times_that_does_not_grow_with_the_rows(
    fleet_database: Database,
) -> None:
    def undone(begin: int, rows: int) -> int:
        """Two files over the same times; how many statements taking the second back needs."""
        file_id = 0
        for h2 in (10.0, 11.0):
            told = [(days_ago(begin + i), h2) for i in range(rows)]
            done = take(fleet_database, laboratory_file(*told))
            assert done.file_id is not None
            file_id = done.file_id
        statements = []

        def note(_c: Any, _cursor: Any, statement: str, *_: Any) -> None:
            statements.append(statement)

        sa.event.listen(fleet_database.engine, "before_cursor_execute", note)
        try:
            assert undo_file(fleet_database, file_id, BY, URL) == Undone(rows, rows)
        finally:
            sa.event.remove(fleet_database.engine, "before_cursor_execute", note)
        return len(statements)

    assert undone(300, 3) == undone(100, 60)


# --- an edit and the laboratory ---------------------------------------------------------------------------


def test_an_edit_outlives_a_later_report_of_the_laboratory(fleet_database: Database) -> None:
    """30 is edited to 8, the laboratory sends 8 and CO, then its first file comes once more."""
    at = days_ago(1)
    first = record(fleet_database, at, h2=30.0)
    edit(fleet_database, first, h2=8.0)
    third = record(fleet_database, at, h2=8.0, co=210.0)
    assert (row(fleet_database, third).revision, row(fleet_database, third).current) == (3, True)
    assert record(fleet_database, at, h2=30.0) == third
    assert record(fleet_database, at, h2=31.0) != third  # what nobody edited away is news
    again = [record(fleet_database, at, h2=8.0, co=210.0) for _ in range(2)]
    assert again[0] == again[1]
    assert row(fleet_database, again[0]).revision == 5


def test_every_revision_that_was_edited_away_is_known(fleet_database: Database) -> None:
    at = days_ago(1)
    one = record(fleet_database, at, h2=30.0)
    three = edit(fleet_database, edit(fleet_database, one, h2=8.0), h2=9.0)
    assert [record(fleet_database, at, h2=h2) for h2 in (30.0, 8.0, 9.0)] == [three] * 3


# --- copies -----------------------------------------------------------------------------------------------


def test_a_moved_sample_is_not_restored_while_its_copy_counts(fleet_database: Database) -> None:
    here = record(fleet_database, days_ago(1))
    there = move_sample(fleet_database, here, Place("W-T2", "main"), BY, URL)
    reason = f"counts as sample {there} of W-T2, main, taken 2026-02-28 12:00 UTC; move that one back"
    with pytest.raises(PutRightError, match=reason):
        restore_sample(fleet_database, here, BY, URL)
    edited = edit(fleet_database, there, h2=12.0)
    with pytest.raises(PutRightError, match=f"counts as sample {edited} of W-T2"):
        restore_sample(fleet_database, here, BY, URL)
    further = move_sample(fleet_database, edited, Place("E-R1", "main"), BY, URL)
    with pytest.raises(PutRightError, match=f"counts as sample {further} of E-R1"):
        restore_sample(fleet_database, here, BY, URL)
    exclude_sample(fleet_database, further, BY, URL)
    restore_sample(fleet_database, here, BY, URL)
    for copy in (further, edited):
        with pytest.raises(PutRightError, match=f"counts as sample {here} of W-T1"):
            restore_sample(fleet_database, copy, BY, URL)


def test_another_sample_at_the_place_of_a_copy_that_was_taken_away_hinders_nobody(
    fleet_database: Database,
) -> None:
    here = record(fleet_database, days_ago(1))
    there = move_sample(fleet_database, here, Place("W-T2", "main"), BY, URL)
    exclude_sample(fleet_database, there, BY, URL)
    record(fleet_database, days_ago(1), "LAB", "W-T2", h2=33.0)
    restore_sample(fleet_database, here, BY, URL)
    assert row(fleet_database, here).excluded_at is None


# --- two people at once -----------------------------------------------------------------------------------


def test_moves_that_cross_do_not_wait_for_each_other_for_ever(
    fleet_database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each has read its sample and its target before either locks; PostgreSQL ended one of two as a deadlock."""
    pairs = [
        (record(fleet_database, days_ago(1)), "W-T2"),
        (record(fleet_database, days_ago(2), "LAB", "W-T2"), "W-T1"),
    ]
    barrier = threading.Barrier(2)
    target_of = sample_places.target_of

    def both(*given: Any) -> Any:
        found = target_of(*given)
        if not fleet_database.is_sqlite:  # one writer at a time: the second waits before it reads
            barrier.wait(10)
        return found

    monkeypatch.setattr("app.services.correcting.put_right.target_of", both)
    failed: list[Exception] = []

    def move(sample_id: int, asset: str) -> None:
        try:
            move_sample(fleet_database, sample_id, Place(asset, "main"), BY, URL)
        except Exception as error:  # noqa: BLE001 - whatever it is, the test shows it
            failed.append(error)

    threads = [threading.Thread(target=move, args=pair) for pair in pairs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert failed == []
    counting = [
        r for r in all_of(fleet_database, samples) if r[samples.c.keys().index("excluded_at")] is None
    ]
    assert len(counting) == 2
