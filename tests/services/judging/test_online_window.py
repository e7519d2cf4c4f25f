"""What a reading is judged by: the one that confirms it and the days before, and not all that was read between.

A course of a year's quarter with gaps, jumps that are confirmed and jumps that are not, readings in maintenance and
quantities in doubt is recorded with what a process remembers and without, and told in full by the short history and
by all readings of the window.
"""

from datetime import UTC, datetime, timedelta

import numpy as np
import sqlalchemy as sa
from fleet_cast import URL

from app.domain.judging.report import ReportOptions
from app.domain.model import Quality, Reading, Sample, utc_day
from app.domain.recording.columns import columns_of
from app.services.judging.context import judging_context
from app.services.judging.judged_series import judge_all
from app.services.judging.online_series import (
    LOOKBACK,
    RAW,
    OnlineSeries,
    history_of,
    midnight,
    stored_series,
)
from app.services.recording.recorder import Recorder
from app.store.database import Connection, Database
from app.store.recording import online_days, online_rows
from app.store.registering.source_lookup import StoredSource, find_source
from app.store.schema import daily_summaries, instrument_states, samples

START = datetime(2026, 1, 5, tzinfo=UTC)
QUIET_DAYS, DAYS = 85, 110
GAPS = {92: 1.4, 97: 3.2, 101: 0.9, 104: 2.999}
"""Days of silence after these days."""


def course() -> list[Sample]:
    """Every five hours, then every one; hydrogen jumps on some days of the last month, once for a day and more."""
    rng = np.random.default_rng(20261125)
    found, day, gaps = [], 0.0, dict(GAPS)
    while day < DAYS:
        high = day > QUIET_DAYS and (86.2 < day < 88.5 or int(day * 24) % 37 == 0 or day > 103)
        h2 = 40.0 + float(rng.normal(0, 2)) + (220.0 if high else 0.0)
        readings = {
            "h2": Reading("h2", value=round(h2, 1), quality=Quality.QUESTIONABLE)
            if rng.random() < 0.02
            else Reading("h2", value=round(h2, 1)),
            "ch4": Reading("ch4", value=20.0),
            "c2h2": Reading("c2h2", below=0.5),
        }
        found.append(Sample("W-T1", "main", "W-T1-M", START + timedelta(days=day), readings))
        step = (5.0 if day < QUIET_DAYS else 1.0) / 24.0
        day = round(day + gaps.pop(int(day), step) if day > QUIET_DAYS else day + step, 6)
    return found


def source_of(database: Database) -> StoredSource:
    with database.read() as connection:
        found = find_source(connection, "W-T1-M")
    assert found is not None
    return found


def rows(database: Database) -> list[tuple[object, ...]]:
    columns = (c for c in samples.c if c.name not in {"id", "received_at"})
    with database.read() as connection:
        return [tuple(r) for r in connection.execute(sa.select(*columns).order_by(samples.c.taken_at))]


def test_what_is_remembered_is_enough_to_judge_by(fleet_database: Database) -> None:
    history = course()
    source = source_of(fleet_database)
    begin = next(i for i, one in enumerate(history) if one.taken_at > START + timedelta(days=QUIET_DAYS))

    def play(*, remember: bool) -> list[tuple[object, ...]]:
        recorder = Recorder(fleet_database, URL)
        recorder.record(source, columns_of(history[:begin]), history[begin].taken_at)
        place = begin
        while place < len(history):
            batch = history[place : place + (1, 1, 4)[place % 3]]
            if not remember:
                recorder = Recorder(fleet_database, URL)
            recorder.record(source, columns_of(batch), batch[-1].taken_at)
            place += len(batch)
        return rows(fleet_database)

    remembered = play(remember=True)
    with fleet_database.write() as connection:
        for table in (samples, daily_summaries, instrument_states):
            connection.execute(sa.delete(table))
    assert play(remember=False) == remembered
    names = [c.name for c in samples.c if c.name not in {"id", "received_at"}]
    stood = [(row[names.index("status")], row[names.index("suspect")]) for row in remembered]
    assert stood.count((3, True)) > 10, "jumps that wait for a confirmation"
    assert stood.count((3, False)) > 10, "jumps that were confirmed"


def by_all_readings(connection: Connection, key: tuple[int, int], at: datetime) -> OnlineSeries:
    stored = online_rows.stored_rows(connection, *key, midnight(at - RAW), at)
    days = online_days.stored_days(connection, *key, utc_day(at - RAW - LOOKBACK), utc_day(at))
    return stored_series(stored, days, key)


def test_a_reading_is_told_by_the_short_history_as_by_all_readings(fleet_database: Database) -> None:
    source = source_of(fleet_database)
    history = course()
    Recorder(fleet_database, URL).record(source, columns_of(history), history[-1].taken_at)
    key = (source.compartments["main"], source.id)
    options = ReportOptions(detailed=True, oil_volume_l=20_000.0)
    told, longest = set(), 0
    with fleet_database.read() as connection:
        for one in history[-400::7]:
            short = history_of(connection, key, one.taken_at)
            whole = by_all_readings(connection, key, one.taken_at)
            around = judging_context(connection, [key[0]], (one.taken_at, one.taken_at))
            said = [
                judge_all(around, [series])[0].assessment(len(series.ids) - 1, options)
                for series in (short, whole)
            ]
            assert said[0] == said[1], one.taken_at
            assert short.ids[-1] == whole.ids[-1]
            told.add((said[0].status, said[0].suspect))
            longest = max(longest, len(whole.ids))
            assert len(short.ids) <= 2
    assert len(told) >= 3
    assert longest > 90
