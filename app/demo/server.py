"""The service as a child process of the demo: started, waited for, stopped."""

import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import httpx

from app.config import Settings, environment_of
from app.errors import OutsideError
from app.listening import why_not

HEALTHY_WITHIN_SECONDS: Final = 60.0
STOPPED_WITHIN_SECONDS: Final = 10.0
LOG_LINES: Final = 15


class ServerError(OutsideError):
    """The service could not be started or ended by itself; the text says why and what to do."""


def refuse_busy_port(host: str, port: int) -> None:
    """Raises ServerError when nothing can listen there, before anything is written."""
    if reason := why_not(host, port):
        raise ServerError(
            f"{reason}. Stop what uses it, or choose another port: ullage demo --port {port % 65_535 + 1}"
        )


@contextmanager
def running_server(settings: Settings, log: Path) -> Iterator[subprocess.Popen[bytes]]:
    """`ullage serve` as a child with these settings; it has ended when the block ends.

    Its settings go to the child alone; what it writes goes to ``log``.
    """
    with log.open("wb") as output:
        server = subprocess.Popen(command(settings), stdin=subprocess.DEVNULL, stdout=output, stderr=output)
    try:
        yield server
    finally:
        stop_server(server)


def command(settings: Settings) -> list[str]:
    """The child's command line. env(1) adds the settings to what the child inherits and then becomes it."""
    variables = [f"{name}={value}" for name, value in environment_of(settings).items()]
    return ["env", *variables, sys.executable, "-c", "from app.cli.main import main; main()", "serve"]


def wait_until_healthy(server: subprocess.Popen[bytes], url: str, log: Path, stop: threading.Event) -> None:
    """Returns when ``/health`` answers 200, or ``stop`` is set.

    Raises:
        ServerError: the child ended, or a minute went by; with the last lines of its log.
    """
    deadline = time.monotonic() + HEALTHY_WITHIN_SECONDS
    with httpx.Client(timeout=5.0, trust_env=False) as client:
        while time.monotonic() < deadline:
            refuse_ended(server, log)
            try:
                if client.get(f"{url}/health").status_code == 200:
                    return
            except httpx.TransportError:
                pass  # not listening yet
            if stop.wait(0.2):
                return
    raise ServerError(f"the service did not answer within {HEALTHY_WITHIN_SECONDS:g} s.\n{last_lines(log)}")


def refuse_ended(server: subprocess.Popen[bytes], log: Path) -> None:
    """Raises ServerError when the child has ended, with the last lines of its log."""
    code = server.poll()
    if code is not None:
        raise ServerError(f"the service ended by itself with exit code {code}.\n{last_lines(log)}")


def stop_server(server: subprocess.Popen[bytes]) -> None:
    """Ask the child to end, and end it for good when it does not."""
    if server.poll() is None:
        server.terminate()
    try:
        server.wait(STOPPED_WITHIN_SECONDS)
    except subprocess.TimeoutExpired:
        server.kill()
        server.wait()


def last_lines(log: Path) -> str:
    lines = log.read_text(encoding="utf-8", errors="replace").splitlines()[-LOG_LINES:]
    return "\n".join(["Its last words:", *lines]) if lines else "It said nothing."
