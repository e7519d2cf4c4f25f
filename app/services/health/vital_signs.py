"""Is the service well, part by part? For load balancers, monitoring systems and metrics."""

from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Final, Literal

from app.services.health.pulse import ALIVE_SECONDS, LATE_SECONDS
from app.store.database import Database
from app.store.health import view_health
from app.store.health.view_health import DatabaseTroubleError, Vitals
from app.store.keeping import migrate

Part = Literal["database", "schema", "worker", "mail"]
PARTS: Final[tuple[Part, ...]] = ("database", "schema", "worker", "mail")
needed_revision = cache(migrate.newest_revision)


@dataclass(frozen=True, slots=True)
class Sign:
    """How one part is."""

    well: bool
    says: str


@dataclass(frozen=True, slots=True)
class Figures:
    """What the metrics tell of the database's content."""

    vitals: Vitals
    alerts: list[tuple[str, int, str, int]]
    """(condition, severity, state, how many) of those that are not back to normal."""
    instruments: dict[str, int]
    """How many were heard within the hour, the day, earlier, never."""


def read_vitals(database: Database) -> Vitals:
    """Raises DatabaseTroubleError when the database does not answer."""
    with view_health.quick_read(database) as connection:
        return view_health.vitals(connection)


def read_figures(database: Database, now: datetime) -> Figures:
    """Raises DatabaseTroubleError when the database does not answer."""
    with view_health.quick_read(database) as connection:
        return Figures(
            view_health.vitals(connection),
            view_health.open_alerts(connection),
            view_health.instruments_heard(connection, now),
        )


def look(url: str, now: datetime, *, own_worker: bool) -> dict[Part, Sign]:
    """As :func:`signs`, of the service whose database stands at ``url``. Nothing is made or changed."""
    try:
        database = migrate.open_existing(url)
    except migrate.DatabaseUnusableError as error:
        return trouble_signs(str(error))
    try:
        if migrate.current_revision(database) is None:
            unknown = Sign(False, "unknown: the database is empty")
            return {
                "database": Sign(True, "answers"),
                "schema": _schema(None),
                "worker": unknown,
                "mail": unknown,
            }
        return signs(read_vitals(database), now, own_worker=own_worker)
    except DatabaseTroubleError as error:
        return trouble_signs(str(error))
    finally:
        database.dispose()


def signs(vitals: Vitals, now: datetime, *, own_worker: bool) -> dict[Part, Sign]:
    """How each part is.

    Args:
        vitals: what the database says.
        now: the time.
        own_worker: the process runs a worker itself. Otherwise one is expected from its first sign of life on.
    """
    return {
        "database": Sign(True, "answers"),
        "schema": _schema(vitals.revision),
        "worker": _worker(age(vitals.heartbeat_at, now), own_worker),
        "mail": _mail(age(vitals.oldest_queued_at, now), vitals),
    }


def trouble_signs(trouble: str) -> dict[Part, Sign]:
    """How each part is when the database does not answer."""
    unknown = Sign(False, "unknown: it stands in the database")
    return {"database": Sign(False, trouble), "schema": unknown, "worker": unknown, "mail": unknown}


def age(at: datetime | None, now: datetime) -> float | None:
    """Seconds since then; not below zero, whatever the clocks say."""
    return None if at is None else max(0.0, (now - at).total_seconds())


def _schema(revision: str | None) -> Sign:
    wanted = needed_revision()
    if revision == wanted:
        return Sign(True, f"at revision {revision}")
    if revision is None:
        return Sign(False, "there is none: run `ullage db upgrade`")
    return Sign(False, f"at revision {revision}, not {wanted}: run `ullage db upgrade`")


def _worker(seconds: float | None, own_worker: bool) -> Sign:
    if seconds is None:
        return Sign(not own_worker, "no worker has run yet")
    told = f"last sign of life {seconds:.0f} s ago"
    if seconds <= ALIVE_SECONDS:
        return Sign(True, told)
    return Sign(False, f"{told}, more than {ALIVE_SECONDS:.0f} s: no mail goes out; start the worker")


def _mail(seconds: float | None, vitals: Vitals) -> Sign:
    if seconds is None:
        return Sign(True, "none waits")
    told = f"{vitals.queued} waiting, the oldest for {seconds:.0f} s"
    if seconds <= LATE_SECONDS:
        return Sign(True, told)
    return Sign(False, f"{told}, more than {LATE_SECONDS:.0f} s: see the page /mail for the reason")
