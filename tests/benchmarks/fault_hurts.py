"""The faults: SIGKILL to server, worker and PostgreSQL; disks that are full or fail; connections that are cut."""

import resource
import time
from collections.abc import Callable
from pathlib import Path

from fault_stage import Kind, Stage
from served import family, kill
from small_disk import fill


def _kill_apps(stage: Stage, rounds: int, end: Callable[[], None]) -> None:
    for _ in range(rounds):
        with stage.service.serving(EMBEDDED_WORKER="true") as child:
            stage.look_for_losses()
            stage.wait_for_answers()
            time.sleep(stage.dice.uniform(0.0, 1.2))
            kill(child)
            stage.count.kills += 1
    with stage.service.serving(EMBEDDED_WORKER="true"):
        stage.wait_for_answers()
        end()


def _kill_workers(stage: Stage, rounds: int, end: Callable[[], None]) -> None:
    """A worker by itself, killed while it hands out mail."""
    with stage.service.serving(EMBEDDED_WORKER="false"):
        for _ in range(rounds):
            child = stage.service.start("worker")
            try:
                before = stage.sink.taken.total()
                stage.wait("no mail came", lambda before=before: stage.sink.taken.total() > before)  # type: ignore[misc]
                time.sleep(stage.dice.uniform(0.0, 0.15))
            finally:
                kill(child)
            stage.count.kills += 1
        stage.look_for_losses()
        end()


def _kill_postgresql(stage: Stage, rounds: int, end: Callable[[], None]) -> None:
    """The postmaster and every backend; the server stays and must find its way back."""
    assert stage.server is not None
    with stage.service.serving(EMBEDDED_WORKER="true"):
        for _ in range(rounds):
            stage.wait_for_answers()
            time.sleep(stage.dice.uniform(0.0, 1.2))
            stage.server.kill()
            stage.count.kills += 1
            time.sleep(stage.dice.uniform(0.0, 0.4))
            stage.server.start()
            stage.database.dispose()  # its connections are gone
            stage.look_for_losses()
        stage.wait_for_answers()
        end()


def _cut_connections(stage: Stage, rounds: int, end: Callable[[], None]) -> None:
    """Every connection of the service is ended by PostgreSQL, in the midst of whatever it does."""
    assert stage.server is not None
    with stage.service.serving(EMBEDDED_WORKER="true"):
        for _ in range(rounds):
            stage.wait_for_answers()
            time.sleep(stage.dice.uniform(0.0, 0.3))
            stage.server.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
                " WHERE datname = 'faults' AND backend_type = 'client backend'"
            )
            stage.count.kills += 1
            stage.database.dispose()
            stage.look_for_losses()
        stage.wait_for_answers()
        end()


def _fill_disk(stage: Stage, rounds: int, end: Callable[[], None]) -> None:
    """Until posts are refused; then there is room again. PostgreSQL may end itself over it: then it is started."""
    assert stage.disk is not None
    with stage.service.serving(EMBEDDED_WORKER="true"):
        for _ in range(rounds):
            stage.wait_for_answers()
            time.sleep(stage.dice.uniform(0.0, 0.5))
            _until_refused(stage, lambda disk=stage.disk: fill(disk))  # type: ignore[misc]
            stage.count.kills += 1
            (stage.disk / "ballast").unlink()
            if stage.server is not None and not stage.server.runs:
                stage.server.start()
            stage.database.dispose()
            stage.wait_for_answers()
            stage.look_for_losses()
        end()


def _fail_disk(stage: Stage, rounds: int, end: Callable[[], None]) -> None:
    """Every write beyond the present size of the log fails, as on a disk with a bad spot (RLIMIT_FSIZE)."""
    wal = Path(f"{stage.database.url.database}-wal")
    with stage.service.serving(EMBEDDED_WORKER="true") as child:
        usual = resource.prlimit(child.pid, resource.RLIMIT_FSIZE)

        def limit() -> None:
            size = stage.dice.randrange(wal.stat().st_size + 1)
            for pid in family(child.pid):
                resource.prlimit(pid, resource.RLIMIT_FSIZE, (size, usual[1]))

        for _ in range(rounds):
            stage.wait_for_answers()
            _until_refused(stage, limit)
            stage.count.kills += 1
            for pid in family(child.pid):
                resource.prlimit(pid, resource.RLIMIT_FSIZE, usual)
            stage.wait_for_answers()
            stage.look_for_losses()
        end()


def _until_refused(stage: Stage, harm: Callable[[], object]) -> None:
    before = sum(p.unavailable for p in stage.posters)
    harm()
    stage.wait("no post was refused", lambda: sum(p.unavailable for p in stage.posters) >= before + 5)


KINDS = {
    "app, SQLite": Kind("sqlite", _kill_apps, 0.2),
    "app, PostgreSQL": Kind("postgresql", _kill_apps, 0.2),
    "worker, SQLite": Kind("sqlite", _kill_workers, 0.15),
    "worker, PostgreSQL": Kind("postgresql", _kill_workers, 0.15),
    "PostgreSQL": Kind("postgresql", _kill_postgresql, 0.3),
    "connections cut": Kind("postgresql", _cut_connections, 0.2),
    "disk full, SQLite": Kind("sqlite", _fill_disk, 0.05, 24, "full"),
    "disk full, PostgreSQL": Kind("postgresql", _fill_disk, 0.05, 160),
    "disk fails, SQLite": Kind("sqlite", _fail_disk, 0.05, None, "cannot be read or written"),
}
"""The shares of the first five make up one: a hundred kills in a hundred rounds. The others are beyond that."""
