"""A service under load, hurt again and again, and what there is of its record in the end."""

import random
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import sqlalchemy as sa
from fault_clients import Poster, Sink
from fault_counts import Count, count_alerts, count_mails, count_samples, lost
from own_postgresql import OwnPostgresql
from served import PATIENCE_SECONDS, Service, free_port, kill
from small_disk import small_disk
from soak_fleet import register

from app.store.database import Database
from app.store.keeping import migrate
from app.store.schema import messages

POSTERS = 4
LEASE_SECONDS = 150.0
"""Longer than the lease of a mail: what a killed worker was sending is sent again after it."""


class FaultError(Exception):
    """What had to come to pass did not."""


@dataclass
class Stage:
    """A service under load and what is needed to hurt it."""

    service: Service
    database: Database
    server: OwnPostgresql | None
    posters: list[Poster]
    sink: Sink
    dice: random.Random
    count: Count
    disk: Path | None = None
    """The small disk that the database lies on, if it does."""

    def wait(self, what: str, happened: Callable[[], bool]) -> None:
        until = time.monotonic() + PATIENCE_SECONDS
        while not happened():
            failures = [p.failure for p in self.posters if p.failure]
            if failures or time.monotonic() > until:
                log = self.service.log_tail()[-1500:]
                raise FaultError(f"{self.count.kind}, seed {self.count.seed}: {what}; {failures}\n{log}")
            time.sleep(0.01)

    def wait_for_answers(self) -> None:
        """So that each kill has something to lose, however slow the machine is."""
        before = self.answers()
        self.wait("no post was answered", lambda: self.answers() > before)

    def answers(self) -> int:
        return sum(p.outcomes.total() for p in self.posters)

    def look_for_losses(self) -> None:
        if missing := lost(self.database, self.posters):
            self.count.wrong.append(
                f"after kill {self.count.kills}: {missing} answered samples are not there"
            )


Hurt = Callable[[Stage, int, Callable[[], None]], None]


@dataclass(frozen=True)
class Kind:
    """What is done to a service: ``hurt(stage, rounds, end)`` calls ``end`` when all is well again."""

    store: str
    hurt: Hurt
    share: float
    """Of the rounds of a whole run."""
    disk_mb: int | None = None
    """The database lies on a disk of this size."""
    must_say: str = ""
    """Words that must stand in an answer 503."""


def run(name: str, kind: Kind, rounds: int, seed: int, *, hurry: bool) -> Count:
    """``hurry``: leases of mails are ended by hand instead of waited for."""
    count = Count(name, seed)
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="ullage-faults-")))
        disk = stack.enter_context(small_disk(kind.disk_mb)) if kind.disk_mb else None
        server = stack.enter_context(_postgresql(disk)) if kind.store == "postgresql" else None
        url = server.create_database("faults") if server else f"sqlite:///{(disk or folder) / 'ullage.db'}"
        sink = Sink(seed)
        stack.enter_context(sink.listening())
        database = Database(url)
        stack.callback(database.dispose)
        migrate.upgrade(database)
        fleet = register(database, POSTERS, datetime.now(UTC) - timedelta(days=300), seed)
        service = Service(folder, url, free_port(), sink.settings | {"POSTS_PER_MINUTE": "0"})
        posters = [Poster(service.url, u, random.Random(seed + i)) for i, u in enumerate(fleet.units)]
        stage = Stage(service, database, server, posters, sink, random.Random(seed), count, disk)
        with _posting(posters) as end:
            kind.hurt(stage, rounds, end)
        _settle(stage, hurry=hurry)
        said = {words for poster in posters for words in poster.refusals}
        if not any(kind.must_say in words for words in said or {""}):
            count.wrong.append(f"no answer said {kind.must_say!r}; they said {said}")
    return count


@contextmanager
def _postgresql(disk: Path | None) -> Iterator[OwnPostgresql]:
    server = OwnPostgresql.create(durable=True, parent=disk)
    try:
        server.start()
        yield server
    finally:
        server.remove()


@contextmanager
def _posting(posters: Sequence[Poster]) -> Iterator[Callable[[], None]]:
    """The posters at work; gives how to end that. They keep trying while there is nobody to answer."""
    stop = threading.Event()
    threads = [threading.Thread(target=poster.run, args=(stop,)) for poster in posters]
    for thread in threads:
        thread.start()

    def end() -> None:
        """While the service is well."""
        stop.set()
        for thread in threads:
            thread.join(PATIENCE_SECONDS)
        for poster in posters:
            poster.finish()

    try:
        yield end
    finally:
        stop.set()


def _settle(stage: Stage, *, hurry: bool) -> None:
    """Let a worker send what is left, then count."""
    if hurry:
        _end_leases(stage.database)
    child = stage.service.start("worker")
    try:
        until = time.monotonic() + LEASE_SECONDS + PATIENCE_SECONDS
        while _unsent(stage.database):
            if time.monotonic() > until or child.poll() is not None:
                raise FaultError(f"the mail does not get out: {stage.service.log_tail('worker.log')}")
            time.sleep(0.2)
    finally:
        kill(child)
    count_samples(stage.database, stage.posters, stage.count)
    count_alerts(stage.database, stage.posters, stage.count)
    count_mails(stage.database, stage.sink, stage.count)
    if stage.server is None:
        with stage.database.read() as connection:
            verdict = connection.exec_driver_sql("PRAGMA integrity_check").scalar()
        if verdict != "ok":
            stage.count.wrong.append(f"integrity check: {verdict}")


def _unsent(database: Database) -> int:
    with database.read() as connection:
        return int(
            connection.execute(sa.select(sa.func.count()).where(messages.c.state == "queued")).scalar_one()
        )


def _end_leases(database: Database) -> None:
    """As if two minutes had gone by; nobody who holds a lease lives any more."""
    with database.write() as connection:
        connection.execute(sa.update(messages).where(messages.c.state == "queued").values(leased_until=None))
