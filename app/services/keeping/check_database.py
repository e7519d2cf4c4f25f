"""Is the record sound? The schema, the files, what must be true of the rows, and the daily summaries."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import groupby
from typing import Final

from app.services.keeping.upkeep import create_partitions_ahead
from app.store.database import Database
from app.store.keeping import checks, migrate, retention
from app.store.keeping.checks import Broken
from app.store.keeping.transfer import Stage, Tell
from app.store.partitions import month_of, months, next_month
from app.store.recording import summaries

SAMPLED_DAYS: Final = 14
"""The newest days of each instrument that are worked out again, unless all are asked for."""


@dataclass(frozen=True, slots=True)
class Checked:
    """``looked_at`` says in words what was looked at; ``broken`` what is not as it must be."""

    looked_at: tuple[str, ...]
    broken: tuple[Broken, ...]


def check_database(
    database: Database, now: datetime, *, full: bool = False, tell: Tell | None = None
) -> Checked:
    """Look for what is wrong. Nothing is changed.

    Args:
        full: work out all daily summaries again, not only the newest.
    """
    looked_at = ["schema"]
    broken = list(_schema(database))
    if any(one.what.startswith("the schema is at") for one in broken):
        return Checked(tuple(looked_at), tuple(broken))
    with database.read() as connection:
        if database.is_sqlite or checks.can_check_indexes(connection):
            looked_at.append("the database's own files and indexes")
            damage = "restore a backup; until then record nothing more"
            broken += [Broken(text, damage) for text in checks.of_the_database_itself(connection)]
        looked_at.append(f"{len(checks.INVARIANTS)} rules about the rows")
        stage = Stage(tell, "rules", len(checks.INVARIANTS))
        for invariant in checks.INVARIANTS:
            found = checks.broken(connection, invariant)
            broken += [found] if found is not None else []
            stage.add(1)
    wrong, days = _summaries(database, full=full, tell=tell)
    looked_at.append(f"{days} daily summaries" + ("" if full else ", the newest of each instrument"))
    if wrong:
        examples = tuple(f"{day} of instrument {series[1]}" for series, day in wrong[: checks.EXAMPLES])
        mend = "run `ullage db check --mend`, with --full to look at all of them"
        broken.append(Broken("daily summaries are not what the readings say", mend, len(wrong), examples))
    broken += _months(database, now)
    return Checked(tuple(looked_at), tuple(broken))


def mend(database: Database, now: datetime, *, full: bool = False, tell: Tell | None = None) -> int:
    """Make wrong daily summaries and missing months anew; returns how many. Judging again is `ullage reassess`."""
    wrong, _ = _summaries(database, full=full, tell=tell)
    for series, days in groupby(wrong, key=lambda one: one[0]):
        with database.write() as connection:
            summaries.refresh_daily_summaries(connection, [(*series, day) for _, day in days])
    return len(wrong) + len(create_partitions_ahead(database, now))


def _schema(database: Database) -> Iterator[Broken]:
    revision, newest = migrate.current_revision(database), migrate.newest_revision()
    if revision != newest:
        yield Broken(f"the schema is at {revision}, the program at {newest}", "run `ullage db upgrade`")
        return
    differences = migrate.differences(database)
    if differences:
        yield Broken(
            "the schema is not the one of its revision",
            "undo what was changed by hand",
            len(differences),
            tuple(str(one)[:200] for one in differences[: checks.EXAMPLES]),
        )


def _summaries(
    database: Database, *, full: bool, tell: Tell | None
) -> tuple[list[tuple[tuple[int, int], date]], int]:
    """Wrong days with their series, and how many were looked at."""
    wrong: list[tuple[tuple[int, int], date]] = []
    looked_at = 0
    with database.read() as connection:
        begins = retention.raw_begins(connection)
        all_series = list(checks.series_with_summaries(connection))
        stage = Stage(tell, "daily summaries", len(all_series))
        for series in all_series:
            days = checks.days_of(connection, series, begins.date() if begins else None)
            if not full:
                days = days[-SAMPLED_DAYS:]
            looked_at += len(days)
            for begin, end in _spells(days):
                wrong += [(series, day) for day in checks.wrong_days(connection, series, begin, end)]
            stage.add(1)
    return wrong, looked_at


def _spells(days: list[date]) -> Iterator[tuple[date, date]]:
    """From the first to the last day, a month at a time, so that memory is bounded."""
    begin = days[0] if days else None
    while begin is not None and begin <= days[-1]:
        end = min(days[-1], begin + timedelta(days=30))
        yield begin, end
        begin = end + timedelta(days=1)


def _months(database: Database, now: datetime) -> Iterator[Broken]:
    if database.is_sqlite:
        return
    wanted = {month_of(now), next_month(month_of(now))}
    with database.read() as connection:
        missing = sorted(wanted - set(months(connection)))
    if missing:
        yield Broken(
            "months of on-line readings are not made ahead",
            "run `ullage db check --mend`, and see that `ullage worker` runs, which does so every day",
            len(missing),
            tuple(f"{month:%Y-%m}" for month in missing),
        )
