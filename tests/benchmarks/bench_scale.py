"""Does the door slow down as the record grows? The rate on PostgreSQL with as many stored samples as asked for, beside
the rate with 100,000, in one run on one server.

The large record is made inside PostgreSQL, month by month, since posting it would take a day: readings every hour
of nine quantities, judged, with their daily summaries. Both records have the same depth behind each of the sixteen
instruments that post; in the large one they are spread over the whole fleet.
"""

import random
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import sqlalchemy as sa
from bench_door import SETTINGS, Door, Load, summary
from door_clients import LEVELS
from own_postgresql import OwnPostgresql
from served import Service, free_port

from app.domain.judging.engine import RULE_SET
from app.domain.model import Asset, Compartment, Site, Source, SourceKind
from app.services.registering import register
from app.store.database import Database
from app.store.keeping import migrate
from app.store.partitions import month_of, name_of, next_month

NOW = datetime(2010, 1, 1, tzinfo=UTC)
POSTING = 16
SMALL = 100_000
DEEP_DAYS = 290
"""Days behind an instrument from which its judgement reads no further back."""


@dataclass(frozen=True)
class Record:
    """``instruments`` with ``hours`` hourly readings each."""

    name: str
    instruments: int
    hours: int

    @property
    def rows(self) -> int:
        return self.instruments * self.hours


def records(rows: int) -> tuple[Record, Record]:
    """The small record and the large one."""
    hours = min(25_000, max(rows // 2000, SMALL // POSTING))
    return Record("small", POSTING, SMALL // POSTING), Record("large", max(POSTING, rows // hours), hours)


def run_scale(rows: int, runs: int, seconds: float) -> Iterator[str]:
    """Fill both, then let the same clients post to each in turn."""
    server = OwnPostgresql.create(
        options=(
            "max_wal_size=8GB",
            "shared_buffers=1GB",
            "checkpoint_timeout=15min",
            "maintenance_work_mem=512MB",
        )
    )
    try:
        server.start()
        small, large = records(rows)
        urls = {one.name: server.create_database(one.name) for one in (small, large)}
        keys = {}
        for one in (small, large):
            began = time.perf_counter()
            keys[one.name] = fill(urls[one.name], one)
            size = server.execute(f"SELECT pg_size_pretty(pg_database_size('{one.name}'))")[0][0]
            yield (
                f"{one.name}: {one.rows:,} samples of {one.instruments:,} instruments, {size},"
                f" made in {time.perf_counter() - began:.0f} s"
            )
        loads = (
            Load("single posts", POSTING, 1, 60, seconds),
            Load("batches of 100", POSTING, 100, 60, seconds),
        )
        for load in loads:
            yield _compared(urls, keys, load, runs)
            keys = {name: _new_keys(urls[name]) for name in urls}
    finally:
        server.remove()


def _compared(urls: dict[str, str], keys: dict[str, list[str]], load: Load, runs: int) -> str:
    with tempfile.TemporaryDirectory() as folder:
        doors = []
        services = []
        for name, url in urls.items():
            place = Path(folder) / name
            place.mkdir()
            services.append(Service(place, url, free_port(), SETTINGS))
            begins = [_next_hour(url).isoformat()] * load.clients
            doors.append(Door(name, "/api/v1/samples", services[-1].port, keys[name], begins))
        with services[0].serving(), services[1].serving():
            for run in range(runs + 1):
                for door in doors if run % 2 else doors[::-1]:
                    door.post(replace(load), load.seconds, run)
                    if run == 0:
                        door.rates.clear()
                        door.latencies.clear()
    return summary(f"{load.name}, {load.clients} clients", doors[1], doors[0])


def _next_hour(url: str) -> datetime:
    """An hour after the newest reading of all."""
    database = Database(url)
    with database.read() as connection:
        newest = connection.execute(
            sa.text("SELECT max(newest_taken_at) FROM instrument_states")
        ).scalar_one()
    database.dispose()
    found: datetime = newest + timedelta(hours=1)
    return found


def fill(url: str, record: Record) -> list[str]:
    """Migrate, register the fleet, make its readings; the keys of those that post."""
    database = Database(url)
    migrate.upgrade(database)
    register.register_site(database, Site("S", "Site", "UTC"))
    for i in range(record.instruments):
        asset = Asset(f"T{i}", f"Unit {i}", "S", year_energized=2000, rated_kv=110.0)
        register.register_asset(database, asset, (Compartment(asset.code, "main"),))
        register.register_source(
            database, Source(f"M{i}", f"Monitor {i}", SourceKind.INSTRUMENT, asset.code, ("main",), 60)
        )
    begin = NOW - timedelta(hours=record.hours)
    month = begin
    while month < NOW:
        following = (month.replace(day=1, hour=0) + timedelta(days=32)).replace(day=1)
        _fill_month(database, month, min(following, NOW))
        month = following
    with database.write() as connection:
        connection.execute(
            sa.text(
                "INSERT INTO instrument_states (source_id, heard_at, newest_taken_at, token)"
                " SELECT id, :now, CAST(:now AS timestamptz) - interval '1 hour', id FROM sources"
            ),
            {"now": NOW},
        )
    with database.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.execute(sa.text("ANALYZE"))
        connection.execute(sa.text("CHECKPOINT"))
    database.dispose()
    return _new_keys(url)


def _new_keys(url: str) -> list[str]:
    """Of sixteen instruments spread over the fleet."""
    database = Database(url)
    with database.read() as connection:
        codes = list(connection.execute(sa.text("SELECT code FROM sources ORDER BY code")).scalars())
    chosen = random.Random(5).sample(codes, POSTING)
    keys = [register.issue_instrument_key(database, code, NOW) for code in chosen]
    database.dispose()
    return keys


def _fill_month(database: Database, begin: datetime, end: datetime) -> None:
    """A table by itself, filled and then attached: its indexes are built at once and not row by row."""
    noisy = ", ".join(
        f"{level} * (1 + 0.03 * ({r} - floor({r}) - 0.5))"
        for level, r in ((level, f"chance.r * {1000 + 7 * i}") for i, level in enumerate(LEVELS.values()))
    )
    names = ", ".join(LEVELS)
    series = "FROM source_compartments sc CROSS JOIN generate_series"
    chance = "CROSS JOIN LATERAL (SELECT random() + 0 * sc.source_id AS r) chance"
    month = month_of(begin)
    table = name_of(month)
    with database.write() as connection:
        connection.execute(
            sa.text(f"CREATE TABLE {table} (LIKE samples_online INCLUDING DEFAULTS INCLUDING CONSTRAINTS)")
        )
        connection.execute(
            sa.text(
                f"INSERT INTO {table} (compartment_id, source_id, taken_at, revision, current, received_at, online,"
                f" status, suspect, rule_set, below, unjudged, {names})"
                " SELECT sc.compartment_id, sc.source_id, at, 1, true, at, true, 1, false, :rules, 0, 0,"
                f" {noisy} {series}(CAST(:begin AS timestamptz), CAST(:end AS timestamptz) - interval '1 second',"
                f" interval '1 hour') at {chance}"
            ),
            {"begin": begin, "end": end, "rules": RULE_SET},
        )
        connection.execute(
            sa.text(
                f"ALTER TABLE samples_online ATTACH PARTITION {table}"
                f" FOR VALUES FROM ('{month} 00:00+00') TO ('{next_month(month)} 00:00+00')"
            )
        )
        if end > NOW - timedelta(days=DEEP_DAYS):
            connection.execute(
                sa.text(
                    f"INSERT INTO daily_summaries (compartment_id, source_id, day, count, below, ranges, {names})"
                    f" SELECT sc.compartment_id, sc.source_id, CAST(at AS date), 24, 0, '{{}}', {noisy}"
                    f" {series}(CAST(:begin AS timestamp), CAST(:end AS timestamp) - interval '1 second',"
                    f" interval '1 day') at {chance} ON CONFLICT DO NOTHING"
                ),
                {"begin": begin.replace(tzinfo=None), "end": end.replace(tzinfo=None)},
            )
