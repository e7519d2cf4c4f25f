"""The record path on SQLite - store, assess, decide, queue - beside a bare insert with the same driver."""

import sqlite3
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import partial
from itertools import count
from pathlib import Path

from bench_timing import tell, timed

from app.domain.model import Reading, Sample
from app.services.load_fleet import load_fleet
from app.services.record_samples import RecordContext, record_samples
from app.store import migrate
from app.store.database import Database

FLEET = Path(__file__).parents[1] / "data" / "fleet.yaml"
START = datetime(2026, 1, 1, tzinfo=UTC)
GASES = {
    "h2": 20.0,
    "ch4": 15.0,
    "c2h6": 12.0,
    "c2h4": 8.0,
    "c2h2": 0.4,
    "co": 300.0,
    "co2": 3000.0,
    "water": 10.0,
}
CONTEXT = RecordContext("http://ullage.example")


def sample(number: int) -> Sample:
    """The next reading of the monitor on W-T1, four hours after the one before."""
    readings = {
        name: Reading(name, value=level * (1.0 + 0.01 * (number % 7))) for name, level in GASES.items()
    }
    return Sample("W-T1", "main", "W-T1-M", START + timedelta(hours=4 * number), readings)


def run_record(singles: int, batch: int, runs: int) -> Iterator[str]:
    """Single posts and batches; each write is durable when it returns. Wall time, since the disk takes part."""
    with tempfile.TemporaryDirectory() as folder:
        database = Database(f"sqlite:///{folder}/ullage.db")
        migrate.upgrade(database)
        load_fleet(database, FLEET.read_text(encoding="utf-8"), FLEET.name)
        bare = _bare(Path(folder) / "bare.db")
        try:
            yield from _compare(database, bare, (singles, batch), runs)
        finally:
            bare.close()
            database.dispose()


def _bare(path: Path) -> sqlite3.Connection:
    """The same driver and the same settings as the store's, one table without an index of its own."""
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")
    columns = ", ".join(f"{name} REAL" for name in GASES)
    connection.execute(f"CREATE TABLE bare (id INTEGER PRIMARY KEY, taken_at TEXT, {columns})")
    return connection


def _compare(
    database: Database, bare: sqlite3.Connection, sizes: tuple[int, int], runs: int
) -> Iterator[str]:
    numbers = count()
    statement = (
        f"INSERT INTO bare (taken_at, {', '.join(GASES)}) VALUES ({', '.join('?' * (len(GASES) + 1))})"
    )

    def ours(posts: int, of: int) -> None:
        for _ in range(posts):
            found = [sample(next(numbers)) for _ in range(of)]
            done = record_samples(database, "W-T1-M", found, found[-1].taken_at, CONTEXT)
            assert all(outcome.result == "stored" for outcome in done)

    def plain(posts: int, of: int) -> None:
        for _ in range(posts):
            rows = [(START.isoformat(), *GASES.values())] * of
            bare.execute("BEGIN IMMEDIATE")
            bare.executemany(statement, rows)
            bare.execute("COMMIT")

    singles, batch = sizes
    for title, posts, of in (("single posts", singles, 1), (f"batches of {batch:,}", 1, batch)):
        yield tell(
            f"recording on SQLite, {title}",
            timed(
                "record_samples: stored, assessed, alerts, mail queued",
                posts * of,
                partial(ours, posts, of),
                runs,
                time.perf_counter,
            ),
            timed(
                "a bare insert, committed",
                posts * of,
                partial(plain, posts, of),
                runs,
                time.perf_counter,
            ),
        )
