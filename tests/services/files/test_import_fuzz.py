"""Damaged files all the way into the database: a file is in it whole or not at all."""

import random
import runpy
from collections.abc import Callable
from datetime import UTC, datetime

import pytest
import sqlalchemy as sa
from api_cast import load_cast
from fleet_cast import TESTS

from app.services.files.import_file import import_file
from app.services.recording.record_samples import BatchTerms
from app.store.database import Database
from app.store.recording.reading_columns import pack
from app.store.schema import assessments, file_imports, files, samples

damaged: Callable[..., bytes] = runpy.run_path(str(TESTS / "intake" / "files" / "test_laboratory_fuzz.py"))[
    "damaged"
]
SEMICOLON = (TESTS / "data" / "laboratory" / "good" / "semicolon.csv").read_bytes()
NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)
COUNT = 1_000


def sizes(database: Database) -> list[int]:
    with database.read() as connection:
        tables = (samples, files, file_imports, assessments)
        return [connection.execute(sa.select(sa.func.count()).select_from(t)).scalar_one() for t in tables]


@pytest.mark.fuzz
def test_a_damaged_file_is_stored_whole_or_not_at_all(sqlite_database: Database) -> None:
    load_cast(sqlite_database)
    whole = 0
    for number in range(COUNT):
        content = damaged(SEMICOLON, random.Random(number), len(SEMICOLON) * 2 // 5)
        before = sizes(sqlite_database)
        done = import_file(sqlite_database, content, f"{number}.csv", "QUILLFEN", "A", NOW, BatchTerms(""))
        after = sizes(sqlite_database)
        if not done.stored:
            assert done.problems, number
            assert after == before, number
            continue
        whole += 1
        counts = done.counts
        assert after[0] == before[0] + counts["new"] + counts["changes"], number
        assert after[2] == before[2] + 1, number
        with sqlite_database.read() as connection:
            for row in done.rows:
                query = sa.select(samples).where(samples.c.id == row.sample_id)
                stored = dict(connection.execute(query).mappings().one())
                packed = pack(row.sample.readings)
                assert {name: stored[name] for name in packed} == packed, number
    assert whole > COUNT / 40
