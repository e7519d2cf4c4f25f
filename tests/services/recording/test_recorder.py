"""Group commit and what a process remembers: the same outcomes and the same record as one by one."""

import threading
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
import sqlalchemy as sa

from app.domain.model import Reading, Sample
from app.domain.recording.columns import columns_of
from app.services.judging import judged_series
from app.services.recording import judge_and_store, record_posts
from app.services.recording.outcomes import Outcome
from app.services.recording.recorder import Recorder
from app.store.database import Database
from app.store.registering import source_lookup
from app.store.schema import daily_summaries, instrument_states, samples

START = datetime(2026, 3, 1, tzinfo=UTC)


def reading(code: str, hours: float, **gases: float) -> Sample:
    return Sample(
        code.removesuffix("-M"),
        "main",
        code,
        START + timedelta(hours=hours),
        {n: Reading(n, value=v) for n, v in gases.items()},
    )


def source(database: Database, code: str) -> source_lookup.StoredSource:
    with database.read() as connection:
        found = source_lookup.find_source(connection, code)
    assert found is not None
    return found


def record(recorder: Recorder, database: Database, *batch: Sample) -> list[Outcome]:
    at = max(s.taken_at for s in batch)
    return recorder.record(source(database, batch[0].source_code), columns_of(batch), at)


def rows(database: Database) -> list[tuple[object, ...]]:
    """Every stored reading, without what differs from run to run."""
    columns = (c for c in samples.c if c.name not in {"id", "received_at"})
    with database.read() as connection:
        return [tuple(r) for r in connection.execute(sa.select(*columns).order_by(samples.c.taken_at))]


def days(database: Database) -> list[tuple[object, ...]]:
    with database.read() as connection:
        return [tuple(r) for r in connection.execute(sa.select(daily_summaries).order_by("day"))]


def course(hours: int) -> list[Sample]:
    """Hydrogen that rises, hour after hour, from quiet to high."""
    return [
        reading("W-T1-M", h, h2=40.0 + (h * 2.0 if h > 60 else h % 7), ch4=20.0, c2h4=5.0 + h % 3)
        for h in range(hours)
    ]


def test_what_is_remembered_gives_the_same_record_as_what_is_read(fleet_database: Database) -> None:
    history = course(140)
    recorder = Recorder(fleet_database, "http://ullage.example")
    for one in history:
        record(recorder, fleet_database, one)
    remembered, its_days = rows(fleet_database), days(fleet_database)
    assert len({row[list(samples.c.keys()).index("status") - 2] for row in remembered}) > 1, (
        "its status changes"
    )
    with fleet_database.write() as connection:
        for table in (samples, daily_summaries, instrument_states):
            connection.execute(sa.delete(table))
    for one in history:  # a recorder that remembers nothing
        record(Recorder(fleet_database, "http://ullage.example"), fleet_database, one)
    assert rows(fleet_database) == remembered
    assert days(fleet_database) == its_days


def test_what_another_process_stored_meanwhile_is_seen(fleet_database: Database) -> None:
    ours, theirs = (Recorder(fleet_database, "http://ullage.example") for _ in range(2))
    record(ours, fleet_database, reading("W-T1-M", 0, h2=40.0))
    record(theirs, fleet_database, reading("W-T1-M", 1, h2=41.0))
    (again,) = record(ours, fleet_database, reading("W-T1-M", 1, h2=41.0))
    assert again.result == "already_known"
    (revised,) = record(ours, fleet_database, reading("W-T1-M", 1, h2=42.0))
    assert revised.result == "revised"
    assert days(fleet_database)[0][3] == 2, "two readings count on that day"


def test_a_reading_of_long_ago_is_not_taken_for_the_end_of_its_series(fleet_database: Database) -> None:
    recorder = Recorder(fleet_database, "http://ullage.example")
    newest, old = reading("W-T1-M", 0, h2=40.0), reading("W-T1-M", -24 * 500, h2=39.0)
    record(recorder, fleet_database, newest)
    record(recorder, fleet_database, old)
    assert [o.result for o in record(recorder, fleet_database, newest)] == ["already_known"]
    assert [o.result for o in record(recorder, fleet_database, old)] == ["already_known"]
    ahead = reading("W-T1-M", 24 * 2000, h2=41.0)
    record(recorder, fleet_database, ahead)
    assert [o.result for o in record(recorder, fleet_database, newest, ahead)] == ["already_known"] * 2


def test_a_rolled_back_group_leaves_nothing_and_is_not_remembered(
    fleet_database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    recorder = Recorder(fleet_database, "http://ullage.example")
    record(recorder, fleet_database, reading("W-T1-M", 0, h2=40.0))
    original = record_posts._note_heard

    def fail(*_: object) -> None:
        raise RuntimeError("the disk is gone")

    monkeypatch.setattr(record_posts, "_note_heard", fail)
    with pytest.raises(RuntimeError, match="the disk is gone"):
        record(recorder, fleet_database, reading("W-T1-M", 1, h2=41.0))
    monkeypatch.setattr(record_posts, "_note_heard", original)
    assert len(rows(fleet_database)) == 1
    (outcome,) = record(recorder, fleet_database, reading("W-T1-M", 1, h2=43.0))
    assert outcome.result == "stored"


def test_posts_at_once_are_each_stored_once(fleet_database: Database) -> None:
    groups: list[int] = []
    recorder = Recorder(fleet_database, "http://ullage.example", lambda posts, _: groups.append(posts))
    codes = ("W-T1-M", "W-T2-M")
    results: list[str] = []

    def client(code: str, hours: range) -> None:
        for h in hours:
            results.extend(o.result for o in record(recorder, fleet_database, reading(code, h, h2=40.0)))

    threads = [threading.Thread(target=client, args=(code, range(20))) for code in codes for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(set(results)) == ["already_known", "stored"]
    assert results.count("stored") == len(codes) * 20
    assert len(rows(fleet_database)) == len(codes) * 20
    assert sum(groups) == len(threads) * 20


def test_one_bad_post_does_not_take_the_others_with_it(
    fleet_database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    recorder = Recorder(fleet_database, "http://ullage.example")
    original = judged_series.judge_all

    def fragile(around: object, series: list[object]) -> object:
        if any(np.nanmax(one.values) > 1e5 for one in series):  # type: ignore[attr-defined]
            raise ArithmeticError("it cannot be judged")
        return original(around, series)  # type: ignore[arg-type]

    monkeypatch.setattr(judge_and_store, "judge_all", fragile)
    results: dict[str, object] = {}
    ready = threading.Barrier(2)

    def client(code: str, h2: float) -> None:
        ready.wait()
        try:
            results[code] = record(recorder, fleet_database, reading(code, 0, h2=h2))[0].result
        except ArithmeticError as error:
            results[code] = str(error)

    threads = [threading.Thread(target=client, args=a) for a in (("W-T1-M", 2e5), ("W-T2-M", 40.0))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert results == {"W-T1-M": "it cannot be judged", "W-T2-M": "stored"}


def test_a_time_given_twice_in_one_post_is_taken_in_order(fleet_database: Database) -> None:
    recorder = Recorder(fleet_database, "http://ullage.example")
    same = reading("W-T1-M", 0, h2=40.0)
    found = record(recorder, fleet_database, same, reading("W-T1-M", 0, h2=44.0), same)
    assert [o.result for o in found] == ["stored", "revised", "revised"]
    with fleet_database.read() as connection:
        current = connection.execute(
            sa.select(samples.c.h2, samples.c.revision).where(samples.c.current)
        ).all()
    assert [tuple(r) for r in current] == [(40.0, 3)]


def test_gases_and_moisture_sent_apart_make_one_sample(fleet_database: Database) -> None:
    recorder = Recorder(fleet_database, "http://ullage.example")
    record(recorder, fleet_database, reading("W-T1-M", 0, h2=40.0, ch4=12.0))
    (outcome,) = record(recorder, fleet_database, reading("W-T1-M", 0, water=9.0))
    assert outcome.result == "revised"
    (again,) = record(recorder, fleet_database, reading("W-T1-M", 0, h2=40.0))
    assert again == Outcome("already_known", outcome.sample_id)
    with fleet_database.read() as connection:
        row = connection.execute(sa.select(samples).where(samples.c.current)).one()
    assert (row.h2, row.ch4, row.water, row.revision) == (40.0, 12.0, 9.0, 2)
