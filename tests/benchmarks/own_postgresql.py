"""A PostgreSQL server of our own, in a folder of its own: started, killed and started again by its tests."""

import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import psycopg
from served import family, free_port


def programs() -> Path | None:
    """The folder of initdb, pg_ctl and the others, where Debian puts them; None when it is not installed."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"))
    return found[-1].parent if found else None


def as_postgres(command: Sequence[str]) -> None:
    """PostgreSQL refuses to run as root: then the user of Debian's package runs it.

    Raises:
        RuntimeError: it failed, with what it said.
    """
    user, groups = ("postgres", list[str]()) if os.geteuid() == 0 else (None, None)
    # a file and not a pipe: the server keeps it open for as long as it runs
    with tempfile.TemporaryFile() as output:
        done = subprocess.run(
            command,
            stdout=output,
            stderr=output,
            timeout=120,
            check=False,
            cwd="/",
            user=user,
            group=user,
            extra_groups=groups,
        )
        output.seek(0)
        if done.returncode:
            raise RuntimeError(f"{' '.join(command)} failed: {output.read().decode(errors='replace')}")


@dataclass(frozen=True)
class OwnPostgresql:
    """A server on a unix socket in ``folder``; ``durable`` as it would run in earnest, else quick."""

    folder: Path
    port: int
    durable: bool = True
    options: tuple[str, ...] = ()
    """Further settings, each "name=value"; they win over the small sizes that suit the fault tests."""

    @classmethod
    def create(
        cls, *, durable: bool = True, parent: Path | None = None, options: tuple[str, ...] = ()
    ) -> "OwnPostgresql":
        """Make the data folder; the server is not started. ``parent`` must be open to the user postgres."""
        found = programs()
        if found is None:
            raise FileNotFoundError("PostgreSQL is not installed; on Debian: apt-get install postgresql")
        folder = Path(tempfile.mkdtemp(prefix="ullage-pg-", dir=parent))
        folder.chmod(0o755)
        if os.geteuid() == 0:
            shutil.chown(folder, "postgres", "postgres")
        # a segment of 1 MB: a crash replays little, and a small disk is enough
        words = ["-U", "postgres", "-A", "trust", "-E", "UTF8", "--no-sync", "--wal-segsize=1"]
        as_postgres([str(found / "initdb"), "-D", str(folder / "data"), *words])
        return cls(folder, free_port(), durable, options)

    @property
    def url(self) -> str:
        """With ``{name}`` for the name of a database."""
        return f"postgresql+psycopg://postgres@/{{name}}?host={self.folder}&port={self.port}"

    def start(self) -> None:
        """Ready when it returns, after recovery if there is any to do."""
        options = [
            "listen_addresses=",
            f"unix_socket_directories={self.folder}",
            f"port={self.port}",
            "max_connections=60",
            "max_wal_size=32MB",
            "min_wal_size=2MB",
            *(() if self.durable else ("fsync=off", "full_page_writes=off")),
            *self.options,
        ]
        settings = " ".join(f"-c {option}" for option in options)
        self._control("-w", "-t", "110", "-o", settings, "-l", str(self.folder / "log"), "start")

    @property
    def runs(self) -> bool:
        """Whether there is a postmaster."""
        lock = self.folder / "data" / "postmaster.pid"
        try:
            return _running(int(lock.read_text().split()[0]))
        except (FileNotFoundError, IndexError):
            return False

    def stop(self) -> None:
        self._control("-m", "immediate", "-w", "stop")

    def remove(self) -> None:
        """Stop it if it runs, and take its folder away."""
        with suppress(RuntimeError):
            self.stop()
        shutil.rmtree(self.folder, ignore_errors=True)

    def kill(self) -> int:
        """SIGKILL to the postmaster and every backend, as when the machine's power goes; how many there were."""
        pid = int((self.folder / "data" / "postmaster.pid").read_text().split()[0])
        os.kill(pid, signal.SIGSTOP)  # it must not tidy up, nor start anything, while its children die
        everybody = family(pid)
        for one in (*everybody[1:], pid):
            with suppress(ProcessLookupError):
                os.kill(one, signal.SIGKILL)
        while any(_running(one) for one in everybody):
            time.sleep(0.005)
        # a zombie that nobody has looked after yet would hold the lock
        until = time.monotonic() + 10
        while Path(f"/proc/{pid}").exists() and time.monotonic() < until:
            time.sleep(0.01)
        return len(everybody)

    def create_database(self, name: str) -> str:
        """An empty database; returns its URL."""
        self.execute(f'CREATE DATABASE "{name}"')
        return self.url.format(name=name)

    def execute(self, statement: str, name: str = "postgres") -> list[tuple[object, ...]]:
        with psycopg.connect(plain(self.url.format(name=name)), autocommit=True) as connection:
            cursor = connection.execute(statement.encode())
            return cursor.fetchall() if cursor.description else []

    def _control(self, *words: str) -> None:
        found = programs()
        assert found is not None
        as_postgres([str(found / "pg_ctl"), "-D", str(self.folder / "data"), *words])


def plain(url: str) -> str:
    """The URL without the name of the driver, as psycopg itself takes it."""
    return url.replace("postgresql+psycopg://", "postgresql://")


def _running(pid: int) -> bool:
    """Whether a process is there and no zombie that its parent has not looked after yet."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False
