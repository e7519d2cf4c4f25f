"""Putting mistakes right, on both databases: history kept, assessments and alerts follow, nothing deleted."""

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from fleet_cast import NOW, URL, quiet

from app.domain.alerting.condition import Condition
from app.domain.alerting.conditions.confirmation import CONFIRMATION
from app.domain.alerting.conditions.gassing import GASSING
from app.domain.alerting.states import State
from app.domain.model import Reading, Sample, utc_day
from app.services.correcting.put_right import (
    NoSuchError,
    Place,
    Undone,
    edit_sample,
    exclude_sample,
    move_sample,
    restore_sample,
    undo_file,
)
from app.services.files.import_file import ImportResult, import_file
from app.services.recording.record_samples import BatchTerms, record_samples
from app.services.recording.sample_contents import PutRightError, contents_of, read_contents
from app.store.alerting import alerts
from app.store.correcting import corrections
from app.store.correcting.corrections import By, Contents, Correction
from app.store.database import Database
from app.store.registering import fleet
from app.store.schema import alert_events, assessments, daily_summaries, messages, samples

BY = By("R. Oster", "digits swapped", NOW)
QUIET = quiet("c2h2")
ALARMING = {"h2": 400.0, "c2h2": 90.0, "c2h4": 150.0}


def days_ago(days: float) -> datetime:
    return NOW - timedelta(days=days)


def record(
    database: Database, at: datetime, source: str = "LAB", asset: str = "W-T1", /, **gases: float
) -> int:
    readings = {n: Reading(n, value=v) for n, v in (QUIET | gases).items()}
    sample = Sample(asset, "main", source, at, readings, laboratory_number="26-1")
    (outcome,) = record_samples(database, source, [sample], NOW, BatchTerms(URL))
    assert outcome.sample_id is not None
    return outcome.sample_id


def contents(database: Database, sample_id: int, **gases: float) -> Contents:
    with database.read() as connection:
        was = contents_of(connection, sample_id)
    changed = {n: Reading(n, value=v) for n, v in gases.items()}
    return Contents({**was.readings, **changed}, was.laboratory_number, was.remark)


def row(database: Database, sample_id: int) -> Any:
    with database.read() as connection:
        return connection.execute(sa.select(samples).where(samples.c.id == sample_id)).one()


def history(database: Database, *sample_ids: int) -> list[Correction]:
    with database.read() as connection:
        return corrections.history(connection, sample_ids)


def state(database: Database, condition: Condition = GASSING, asset: str = "W-T1") -> State:
    with database.read() as connection:
        compartment_id = fleet.compartment_ids(connection, [(asset, "main")])[asset, "main"]
        found = alerts.states_of(connection, [compartment_id]).get((compartment_id, condition))
    return found.state.state if found else State.NORMAL


def status_of(database: Database, sample_id: int) -> int | None:
    query = sa.select(assessments.c.status).where(
        assessments.c.sample_id == sample_id, assessments.c.superseded_at.is_(None)
    )
    with database.read() as connection:
        found = connection.execute(query).scalar_one()
    return None if found is None else int(found)


def count(database: Database, table: sa.Table, *where: sa.ColumnElement[bool]) -> int:
    with database.read() as connection:
        return int(
            connection.execute(sa.select(sa.func.count()).select_from(table).where(*where)).scalar_one()
        )


# --- edit -------------------------------------------------------------------------------------------------


def test_an_edit_is_a_revision_with_author_and_reason_and_the_old_and_new_values(
    fleet_database: Database,
) -> None:
    old = record(fleet_database, days_ago(1), h2=310.0)
    new = edit_sample(fleet_database, old, contents(fleet_database, old, h2=31.0), BY, URL)
    assert (row(fleet_database, old).current, row(fleet_database, old).h2) == (False, 310.0)
    kept = row(fleet_database, new)
    assert (kept.current, kept.revision, kept.h2, kept.laboratory_number) == (True, 2, 31.0, "26-1")
    (line,) = history(fleet_database, old, new)
    assert (line.sample_id, line.kind, line.by) == (new, "edited", BY)
    assert line.detail == {"changed": {"h2": ["310", "31"]}, "in_place_of": [old]}


def test_assessments_and_alerts_follow_an_edit_of_the_newest_sample(fleet_database: Database) -> None:
    record(fleet_database, days_ago(300))
    wrong = record(fleet_database, days_ago(1), **ALARMING)
    assert state(fleet_database) is state(fleet_database, CONFIRMATION) is State.UNACKNOWLEDGED
    right = edit_sample(
        fleet_database, wrong, contents(fleet_database, wrong, h2=11.0, c2h2=0.0, c2h4=3.0), BY, URL
    )
    assert status_of(fleet_database, right) == 1
    assert state(fleet_database) is state(fleet_database, CONFIRMATION) is State.RETURNED


def test_an_edit_of_an_older_sample_judges_what_came_after_it_and_the_alerts_follow_the_newest(
    fleet_database: Database,
) -> None:
    older = record(fleet_database, days_ago(300))
    newer = record(fleet_database, days_ago(1), h2=70.0)
    assert status_of(fleet_database, newer) == 2  # 60 more than before: IEEE C57.104-2019, Table 3 has 40
    before = state(fleet_database, CONFIRMATION)
    mails = count(fleet_database, messages)
    edit_sample(fleet_database, older, contents(fleet_database, older, h2=69.0), BY, URL)
    assert status_of(fleet_database, newer) == 1
    assert (before, state(fleet_database, CONFIRMATION)) == (State.UNACKNOWLEDGED, State.RETURNED)
    assert count(fleet_database, messages) == mails + 2


def test_the_laboratory_s_file_sent_again_does_not_take_an_edit_back(fleet_database: Database) -> None:
    old = record(fleet_database, days_ago(1), h2=310.0)
    new = edit_sample(fleet_database, old, contents(fleet_database, old, h2=31.0), BY, URL)
    assert record(fleet_database, days_ago(1), h2=310.0) == new
    assert row(fleet_database, new).current
    corrected = record(fleet_database, days_ago(1), h2=33.0)  # what the laboratory corrects itself is news
    assert (row(fleet_database, corrected).revision, row(fleet_database, new).current) == (3, False)


def test_what_was_corrected_by_the_laboratory_can_be_sent_back_by_it(fleet_database: Database) -> None:
    """Only what people edited is kept; revisions of a source follow one another as they come."""
    ids = [record(fleet_database, days_ago(1), h2=h2) for h2 in (10.0, 12.0, 10.0)]
    assert [row(fleet_database, i).revision for i in ids] == [1, 2, 3]
    assert row(fleet_database, ids[2]).current


def test_edits_that_cannot_be_are_refused_and_change_nothing(fleet_database: Database) -> None:
    one = record(fleet_database, days_ago(1))
    same = contents(fleet_database, one)
    with pytest.raises(NoSuchError, match="no sample 999"):
        edit_sample(fleet_database, 999, same, BY, URL)
    with pytest.raises(PutRightError, match="nothing is changed"):
        edit_sample(fleet_database, one, same, BY, URL)
    with pytest.raises(PutRightError, match="author: say who does it; reason: say why"):
        edit_sample(fleet_database, one, contents(fleet_database, one, h2=1.0), By(" ", "", NOW), URL)
    new = edit_sample(fleet_database, one, contents(fleet_database, one, h2=11.0), BY, URL)
    with pytest.raises(PutRightError, match=f"superseded by a newer revision; sample {new} is in force"):
        edit_sample(fleet_database, one, contents(fleet_database, one, h2=12.0), BY, URL)
    exclude_sample(fleet_database, new, BY, URL)
    with pytest.raises(PutRightError, match="it is excluded; restore it first"):
        edit_sample(fleet_database, new, contents(fleet_database, one, h2=12.0), BY, URL)
    assert count(fleet_database, samples) == 2


def test_the_form_is_read_in_our_units_and_every_fault_is_named() -> None:
    read = read_contents({"h2": " 12.5", "c2h2": "<0.5", "co": ""}, " 26-7 ", "")
    assert read == Contents(
        {"h2": Reading("h2", value=12.5), "c2h2": Reading("c2h2", below=0.5)}, "26-7", None
    )
    with pytest.raises(PutRightError) as caught:
        read_contents({"h2": "12,5", "c2h2": "-1", "co": "many"}, "9" * 201, "")
    assert [field for field, _ in caught.value.problems] == ["h2", "c2h2", "co", "laboratory_number"]
    assert "decimal mark is '.'" in str(caught.value)
    with pytest.raises(PutRightError, match="no reading is left"):
        read_contents({}, "", "")


# --- exclude and restore ----------------------------------------------------------------------------------


def test_excluding_the_newest_sample_lets_the_one_before_it_speak(fleet_database: Database) -> None:
    record(fleet_database, days_ago(300))
    wrong = record(fleet_database, days_ago(1), **ALARMING)
    assert state(fleet_database, CONFIRMATION) is State.UNACKNOWLEDGED
    exclude_sample(fleet_database, wrong, By("R. Oster", "syringe mixed up", NOW), URL)
    stored = row(fleet_database, wrong)
    assert (stored.excluded_by, stored.excluded_because, stored.current) == (
        "R. Oster",
        "syringe mixed up",
        True,
    )
    assert state(fleet_database, CONFIRMATION) is State.RETURNED
    restore_sample(fleet_database, wrong, By("R. Oster", "it was not", NOW), URL)
    assert row(fleet_database, wrong).excluded_at is None
    assert state(fleet_database, CONFIRMATION) is State.UNACKNOWLEDGED
    assert [line.kind for line in history(fleet_database, wrong)] == ["excluded", "restored"]


def test_excluding_the_only_sample_leaves_nothing_to_be_alarmed_about(fleet_database: Database) -> None:
    only = record(fleet_database, days_ago(1), **ALARMING)
    assert state(fleet_database) is State.UNACKNOWLEDGED
    exclude_sample(fleet_database, only, BY, URL)
    assert state(fleet_database) is State.RETURNED
    with fleet_database.read() as connection:
        event = connection.execute(sa.select(alert_events).order_by(alert_events.c.id.desc())).first()
    assert event is not None
    assert event.reason == "returned"


def test_excluding_an_older_sample_leaves_what_the_newest_shows(fleet_database: Database) -> None:
    older = record(fleet_database, days_ago(300), **ALARMING)
    record(fleet_database, days_ago(1), **ALARMING)
    assert state(fleet_database) is State.UNACKNOWLEDGED
    exclude_sample(fleet_database, older, BY, URL)
    assert state(fleet_database) is State.UNACKNOWLEDGED


def test_a_file_sent_again_leaves_an_excluded_sample_excluded(fleet_database: Database) -> None:
    one = record(fleet_database, days_ago(1))
    exclude_sample(fleet_database, one, BY, URL)
    assert record(fleet_database, days_ago(1)) == one
    assert row(fleet_database, one).excluded_at is not None


def test_only_what_is_excluded_can_be_restored(fleet_database: Database) -> None:
    one = record(fleet_database, days_ago(1))
    with pytest.raises(PutRightError, match="it is not excluded"):
        restore_sample(fleet_database, one, BY, URL)
    exclude_sample(fleet_database, one, BY, URL)
    with pytest.raises(PutRightError, match="it is excluded; restore it first"):
        exclude_sample(fleet_database, one, BY, URL)


def test_medians_of_an_instrument_s_day_follow(fleet_database: Database) -> None:
    noon = NOW.replace(hour=0) - timedelta(days=2)
    ids = [
        record(fleet_database, noon + timedelta(hours=4 * i), "W-T1-M", h2=h2)
        for i, h2 in enumerate((10.0, 12.0, 900.0))
    ]

    def median() -> float:
        query = sa.select(daily_summaries.c.h2).where(daily_summaries.c.day == utc_day(noon))
        with fleet_database.read() as connection:
            return float(connection.execute(query).scalar_one())

    assert median() == 12.0
    exclude_sample(fleet_database, ids[2], BY, URL)
    assert median() == 11.0


# --- move -------------------------------------------------------------------------------------------------


def test_a_moved_sample_stands_there_and_stays_visible_here(fleet_database: Database) -> None:
    record(fleet_database, days_ago(300))
    record(fleet_database, days_ago(300), "LAB", "W-T2")
    wrong = record(fleet_database, days_ago(1), **ALARMING)
    there = move_sample(fleet_database, wrong, Place("W-T2", "main"), BY, URL)
    assert row(fleet_database, wrong).excluded_because == "moved to W-T2, main: digits swapped"
    assert (row(fleet_database, there).h2, row(fleet_database, there).taken_at) == (400.0, days_ago(1))
    assert state(fleet_database, CONFIRMATION) is State.RETURNED
    assert state(fleet_database, CONFIRMATION, "W-T2") is State.UNACKNOWLEDGED
    for sample_id in (wrong, there):
        (line,) = history(fleet_database, sample_id)
        assert (line.detail["from"]["asset"], line.detail["to"]["sample"]) == ("W-T1", there)
    assert record(fleet_database, days_ago(1), **ALARMING) == wrong  # the file sent again changes nothing


def test_a_sample_with_a_wrong_date_is_moved_in_time_and_back(fleet_database: Database) -> None:
    one = record(fleet_database, days_ago(400))
    there = move_sample(fleet_database, one, Place("W-T1", "main", days_ago(40)), BY, URL)
    assert (row(fleet_database, there).taken_at, row(fleet_database, there).revision) == (days_ago(40), 1)
    back = move_sample(fleet_database, there, Place("W-T1", "main", days_ago(400)), BY, URL)
    assert (row(fleet_database, back).revision, row(fleet_database, back).current) == (2, True)
    assert not row(fleet_database, one).current


def test_places_that_cannot_be_are_refused(fleet_database: Database) -> None:
    one = record(fleet_database, days_ago(1))
    other = record(fleet_database, days_ago(1), "LAB", "W-T2")
    online = record(fleet_database, days_ago(2), "W-T1-M")
    for sample_id, place, reason in (
        (one, Place("W-T9", "main"), "'W-T9' has no compartment 'main'"),
        (one, Place("W-T1", "main"), "it stands there already"),
        (one, Place("W-T2", "main"), f"sample {other} of the same source stands there at that time"),
        (one, Place("W-T1", "main", NOW + timedelta(days=2)), "taken_at: .* is in the future"),
        (online, Place("W-T2", "main"), "W-T1-M measures only main, tap changer of its own unit"),
    ):
        with pytest.raises(PutRightError, match=reason):
            move_sample(fleet_database, sample_id, place, BY, URL)
    assert count(fleet_database, samples) == 3


# --- undo a file ------------------------------------------------------------------------------------------

HEADER = (
    "Plant no.;Serial no.;Drawn on;Drawn at;Oil of;Lab no.;Remark;Oil temperature (°C);Hydrogen (ppm);"
    "Methane (ppm);Ethane (ppm);Ethylene (ppm);Acetylene (ppm);Carbon monoxide (ppm);Carbon dioxide (ppm);"
    "Oxygen (ppm);Nitrogen (ppm);Water (mg/kg)"
)


def file(*rows: tuple[str, str, str]) -> bytes:
    """Rows of unit, day and hydrogen."""
    lines = [
        f"{unit};;{day};08:30;Main tank;26-1;;40;{h2};5;4;3;<0,5;200;2000;900;50000;10"
        for unit, day, h2 in rows
    ]
    return "\r\n".join((HEADER, *lines, "")).encode("cp1252")


def import_(database: Database, content: bytes, name: str = "a.csv") -> ImportResult:
    done = import_file(database, content, name, "LAB", "R. Oster", NOW, BatchTerms(URL))
    assert done.stored, done.problems
    return done


def in_force(database: Database) -> list[tuple[str, float]]:
    query = (
        sa.select(samples.c.taken_at, samples.c.h2)
        .where(samples.c.current, samples.c.excluded_at.is_(None))
        .order_by(samples.c.taken_at, samples.c.compartment_id)
    )
    with database.read() as connection:
        return [(f"{at:%d.%m.%Y}", h2) for at, h2 in connection.execute(query)]


def test_an_undone_file_is_out_and_what_it_had_corrected_is_in_force_again(fleet_database: Database) -> None:
    import_(fleet_database, file(("W-T1", "02.01.2026", "20"), ("W-T2", "02.01.2026", "30")))
    second = import_(
        fleet_database,
        file(("W-T1", "02.01.2026", "25"), ("W-T2", "02.01.2026", "30"), ("W-T1", "02.02.2026", "26")),
        "b.csv",
    )
    assert in_force(fleet_database) == [("02.01.2026", 25.0), ("02.01.2026", 30.0), ("02.02.2026", 26.0)]
    assert second.file_id is not None
    assert undo_file(fleet_database, second.file_id, BY, URL) == Undone(2, 1)
    assert in_force(fleet_database) == [("02.01.2026", 20.0), ("02.01.2026", 30.0)]
    assert count(fleet_database, samples) == 4
    with pytest.raises(PutRightError, match="undone already"):
        undo_file(fleet_database, second.file_id, BY, URL)


def test_an_undone_file_can_be_imported_again_and_undone_again(fleet_database: Database) -> None:
    content = file(("W-T1", "02.01.2026", "20"), ("W-T2", "02.01.2026", "30"))
    for round_ in (1, 2):
        done = import_(fleet_database, content)
        assert done.counts["new"] == 2
        assert done.file_id is not None
        assert len(in_force(fleet_database)) == 2
        assert undo_file(fleet_database, done.file_id, BY, URL).excluded == 2
        assert in_force(fleet_database) == []
        assert count(fleet_database, samples) == 2 * round_


def test_undoing_takes_edits_and_moves_of_the_file_s_samples_with_it(fleet_database: Database) -> None:
    done = import_(fleet_database, file(("W-T1", "02.01.2026", "20"), ("W-T2", "03.01.2026", "30")))
    first, second = (r.sample_id for r in done.rows)
    assert first is not None
    assert second is not None
    assert done.file_id is not None
    edit_sample(fleet_database, first, contents(fleet_database, first, h2=21.0), BY, URL)
    move_sample(fleet_database, second, Place("E-R1", "main"), BY, URL)
    undo_file(fleet_database, done.file_id, BY, URL)
    assert in_force(fleet_database) == []


def test_an_exclusion_made_before_a_file_corrected_the_sample_is_back_after_the_undo(
    fleet_database: Database,
) -> None:
    import_(fleet_database, file(("W-T1", "02.01.2026", "20")))
    (first,) = [r.sample_id for r in import_(fleet_database, file(("W-T1", "02.01.2026", "20"))).rows]
    assert first is not None
    exclude_sample(fleet_database, first, BY, URL)
    second = import_(fleet_database, file(("W-T1", "02.01.2026", "25")), "b.csv")
    assert second.file_id is not None
    undo_file(fleet_database, second.file_id, BY, URL)
    assert in_force(fleet_database) == []
    assert row(fleet_database, first).current


def test_a_later_file_s_corrections_stay_when_an_earlier_file_is_undone(fleet_database: Database) -> None:
    first = import_(fleet_database, file(("W-T1", "02.01.2026", "20")))
    import_(fleet_database, file(("W-T1", "02.01.2026", "25")), "b.csv")
    assert first.file_id is not None
    assert undo_file(fleet_database, first.file_id, BY, URL) == Undone(1, 0)
    assert in_force(fleet_database) == [("02.01.2026", 25.0)]


def test_one_sample_of_an_undone_file_can_be_restored(fleet_database: Database) -> None:
    import_(fleet_database, file(("W-T1", "02.01.2026", "20")))
    second = import_(fleet_database, file(("W-T1", "02.01.2026", "25")), "b.csv")
    assert second.file_id is not None
    undo_file(fleet_database, second.file_id, BY, URL)
    sample_id = second.rows[0].sample_id
    assert sample_id is not None
    restore_sample(fleet_database, sample_id, BY, URL)
    assert in_force(fleet_database) == [("02.01.2026", 25.0)]


def test_a_file_that_is_not_there_or_brought_no_sample_cannot_be_undone(fleet_database: Database) -> None:
    with pytest.raises(NoSuchError, match="file 77"):
        undo_file(fleet_database, 77, BY, URL)


def test_an_undo_that_fails_half_way_changes_nothing(
    fleet_database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    done = import_(fleet_database, file(("W-T1", "02.01.2026", "20")))

    def broken(*_: object) -> None:
        raise RuntimeError("disk on fire")

    monkeypatch.setattr("app.services.rejudging.follow_up.raise_alerts", broken)
    assert done.file_id is not None
    with pytest.raises(RuntimeError):
        undo_file(fleet_database, done.file_id, BY, URL)
    assert in_force(fleet_database) == [("02.01.2026", 20.0)]
    assert history(fleet_database, *(r.sample_id for r in done.rows if r.sample_id)) == []


def test_nothing_in_the_program_deletes_a_sample_but_the_end_of_raw_readings() -> None:
    places = [p for p in Path("app").rglob("*.py") if "delete(samples)" in p.read_text(encoding="utf-8")]
    assert [p.as_posix() for p in places] == ["app/store/keeping/retention.py"]
