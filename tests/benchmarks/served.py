"""The real `ullage` as processes of its own, for soak and fault tests: started, watched and killed at will."""

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import httpx

PATIENCE_SECONDS = 90.0
"""For whatever must come to pass; a machine that is idle needs a fraction of it."""
WORDS = [sys.executable, "-c", "from app.cli.main import main; main()"]
PAGE_BYTES = os.sysconf("SC_PAGE_SIZE")


class NotHealthyError(Exception):
    """The server did not come up; the text is the end of its log."""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass(frozen=True)
class Service:
    """An `ullage` on its own database and mail folder. Its log is ``server.log`` and ``worker.log``."""

    folder: Path
    database_url: str
    port: int
    settings: dict[str, str] = field(default_factory=dict)
    """Further settings, without the prefix."""

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def mail_folder(self) -> Path:
        return self.folder / "mail"

    def environment(self, **settings: str) -> dict[str, str]:
        """That of a child: nothing of the caller's settings, BLAS on one core."""
        own = {
            "DATABASE_URL": self.database_url,
            "PORT": str(self.port),
            "PUBLIC_URL": self.url,
            "MAIL_FOLDER": str(self.mail_folder),
            "WORKER_POLL_SECONDS": "0.1",
        }
        given = {f"ULLAGE_{name}": value for name, value in (own | self.settings | settings).items()}
        return {k: v for k, v in os.environ.items() if not k.startswith("ULLAGE_")} | given

    def start(self, command: str, **settings: str) -> subprocess.Popen[bytes]:
        """A process of its own process group; nobody has waited for anything yet."""
        log = "worker.log" if command == "worker" else "server.log"
        with (self.folder / log).open("ab") as file:
            return subprocess.Popen(
                [*WORDS, command], env=self.environment(**settings), stdout=file, stderr=file, process_group=0
            )

    @contextmanager
    def serving(self, **settings: str) -> Iterator[subprocess.Popen[bytes]]:
        """The server, once it answers; it is killed with SIGKILL when the block ends, if it still runs."""
        child = self.start("serve", **settings)
        try:
            self.wait_until_it_answers(child)
            yield child
        finally:
            kill(child)

    def wait_until_it_answers(self, child: subprocess.Popen[bytes]) -> None:
        """Until /health says anything at all.

        Raises:
            NotHealthyError: it ended, or was not up in time.
        """
        until = time.monotonic() + PATIENCE_SECONDS
        while time.monotonic() < until and child.poll() is None:
            try:
                httpx.get(f"{self.url}/health", timeout=PATIENCE_SECONDS, trust_env=False)
            except httpx.TransportError:
                time.sleep(0.05)
            else:
                return
        raise NotHealthyError(self.log_tail())

    def log_tail(self, name: str = "server.log") -> str:
        return (self.folder / name).read_text(errors="replace")[-4000:]


def kill(child: subprocess.Popen[bytes]) -> None:
    """SIGKILL, for the children of the child too, and wait until it is gone."""
    for pid in family(child.pid)[1:]:
        try:
            os.kill(pid, 9)
        except ProcessLookupError:
            continue
    child.kill()
    child.wait()


def family(pid: int) -> list[int]:
    """A process and all below it, from /proc; empty when it is gone."""
    found, waiting = [], [pid]
    while waiting:
        one = waiting.pop()
        try:
            tasks = list(Path(f"/proc/{one}/task").iterdir())
            texts = [(task / "children").read_text() for task in tasks]
        except (FileNotFoundError, ProcessLookupError):
            continue
        found.append(one)
        waiting.extend(int(child) for text in texts for child in text.split())
    return found


@dataclass(frozen=True)
class Footprint:
    """What some processes hold: resident memory in MB, open files, threads."""

    rss_mb: float
    files: int
    threads: int


def footprint(pid: int) -> Footprint:
    """Of a process and all below it; Linux only."""
    rss = files = threads = 0
    for one in family(pid):
        try:
            rss += int(Path(f"/proc/{one}/statm").read_text().split()[1]) * PAGE_BYTES
            files += len(list(Path(f"/proc/{one}/fd").iterdir()))
            threads += len(list(Path(f"/proc/{one}/task").iterdir()))
        except (FileNotFoundError, ProcessLookupError):
            continue
    return Footprint(rss / 1e6, files, threads)
