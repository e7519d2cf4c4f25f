"""The `ullage` command: called in the process of the test, or started as one of its own."""

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
import sqlalchemy as sa
from fleet_cast import FLEET
from typer.testing import CliRunner

from app.cli.main import app
from app.store.database import Database
from app.store.keeping import migrate
from app.store.schema import heartbeats

PATIENCE_SECONDS = 60.0
"""For whatever must come to pass; a machine that is idle needs a fraction of it."""

HEADER = (
    "Plant no.;Serial no.;Drawn on;Drawn at;Oil of;Lab no.;Remark;Oil temperature (°C);Hydrogen (ppm);Methane (ppm);"
    "Ethane (ppm);Ethylene (ppm);Acetylene (ppm);Carbon monoxide (ppm);Carbon dioxide (ppm);Oxygen (ppm);"
    "Nitrogen (ppm);Water (mg/kg)\n"
)
ROW = "W-T2;007;03.03.2025;10:15;Main tank;Q-1;;48,5;12;6;4;3;<0,5;210;1800;18000;52000;9,5\n"
"""A file of the laboratory LAB with one sample of W-T2."""


class Command:
    """A process with settings of its own and none of the caller's, and what it has said on standard error so far."""

    def __init__(self, folder: Path, words: tuple[str, ...], settings: dict[str, str]) -> None:
        inherited = {k: v for k, v in os.environ.items() if not k.startswith("ULLAGE_")}
        own = {f"ULLAGE_{name.upper()}": value for name, value in settings.items()}
        self.process = subprocess.Popen(
            [sys.executable, "-c", "from app.cli.main import main; main()", *words],
            cwd=folder,
            env={**inherited, "NO_COLOR": "1", "PYTHONUNBUFFERED": "1", **own},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.lines: list[str] = []
        self.said: list[str] = []
        self._readers = [
            threading.Thread(target=lambda: self.lines.extend(self.process.stderr or ()), daemon=True),
            threading.Thread(target=lambda: self.said.extend(self.process.stdout or ()), daemon=True),
        ]
        for reader in self._readers:
            reader.start()

    @property
    def err(self) -> str:
        return "".join(self.lines)

    @property
    def out(self) -> str:
        return "".join(self.said)

    def logged(self, event: str) -> list[dict[str, Any]]:
        """The lines of its log that tell of this."""
        found = [json.loads(line) for line in self.lines if line.startswith("{")]
        return [line for line in found if line["event"] == event]

    def until(self, seen: Callable[[], object]) -> None:
        """Wait until it is so; it must not end meanwhile."""
        deadline = time.monotonic() + PATIENCE_SECONDS
        while not seen():
            assert self.process.poll() is None, f"it ended with {self.process.returncode}: {self.err}"
            if time.monotonic() > deadline:
                pytest.fail(f"it did not come to pass within a minute: {self.err}")
            time.sleep(0.05)

    def wait(self) -> int:
        """Its exit code; all that it has said is read then."""
        code = self.process.wait(PATIENCE_SECONDS)
        for reader in self._readers:
            reader.join(PATIENCE_SECONDS)
        for pipe in (self.process.stdout, self.process.stderr):
            if pipe is not None:
                pipe.close()
        return code

    def end(self, number: int) -> int:
        """Send a signal; its exit code."""
        self.process.send_signal(number)
        return self.wait()


Run = Callable[..., Any]
Start = Callable[..., Command]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Calls a command on a database and a mail folder of this test."""
    monkeypatch.setenv("ULLAGE_DATABASE_URL", f"sqlite:///{tmp_path / 'ullage.db'}")
    monkeypatch.setenv("ULLAGE_MAIL_FOLDER", str(tmp_path / "mail"))
    return lambda *words: CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture
def loaded(run: Run) -> Run:
    """The same, with the small fleet registered."""
    assert run("fleet", "load", FLEET).exit_code == 0
    return run


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    """Starts the command in the test's folder, with these settings and no others."""
    begun: list[Command] = []

    def begin(*words: str, **settings: str) -> Command:
        begun.append(Command(tmp_path, words, settings))
        return begun[-1]

    yield begin
    for command in begun:
        command.process.kill()
        command.wait()


def answers(port: int) -> bool:
    """Whether a server's database answers."""
    try:
        return httpx.get(f"http://127.0.0.1:{port}/health", trust_env=False).status_code == 200
    except httpx.TransportError:
        return False


def beats(url: str) -> bool:
    """Whether a worker has given a sign of life in this database."""
    if url.startswith("sqlite:///") and not Path(url.removeprefix("sqlite:///")).exists():
        return False
    database = Database(url)
    try:
        if not migrate.is_up_to_date(database):
            return False
        with database.read() as connection:
            return connection.execute(sa.select(heartbeats.c.worker)).first() is not None
    finally:
        database.dispose()


@pytest.fixture
def march(tmp_path: Path) -> Path:
    """That file."""
    path = tmp_path / "march.csv"
    path.write_text(HEADER + ROW, encoding="utf-8")
    return path
