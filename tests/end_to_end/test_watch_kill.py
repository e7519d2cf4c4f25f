"""A watched folder whose process is killed again and again: every file is imported once and ends up in `done`."""

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import sqlalchemy as sa
from fleet_cast import FLEET
from typer.testing import CliRunner

from app.cli.main import app
from app.store.database import Database
from app.store.schema import samples

FILES = 20
KILLS = 3
HEADER = (
    "Plant no.;Serial no.;Drawn on;Drawn at;Oil of;Lab no.;Remark;Oil temperature (°C);Hydrogen (ppm);Methane (ppm);"
    "Ethane (ppm);Ethylene (ppm);Acetylene (ppm);Carbon monoxide (ppm);Carbon dioxide (ppm);Oxygen (ppm);"
    "Nitrogen (ppm);Water (mg/kg)\n"
)


def watcher(inbox: Path, url: str) -> subprocess.Popen[bytes]:
    words = ["import", "--watch", str(inbox), "--laboratory", "LAB", "--every", "0.1"]
    return subprocess.Popen(
        [sys.executable, "-c", "from app.cli.main import main; main()", *words],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        env={**os.environ, "ULLAGE_DATABASE_URL": url},
    )


def wait_for(inbox: Path, done: int) -> None:
    """Until so many files are done; a start takes some seconds."""
    deadline = time.monotonic() + 120
    while len(list(inbox.glob("done/*.csv"))) < done:
        assert time.monotonic() < deadline
        time.sleep(0.01)


def test_a_killed_watcher_loses_and_doubles_nothing(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'ullage.db'}"
    loaded = CliRunner().invoke(app, ["fleet", "load", str(FLEET)], env={"ULLAGE_DATABASE_URL": url})
    assert loaded.exit_code == 0, loaded.output
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    for day in range(1, FILES + 1):
        row = f"W-T2;007;{day:02}.03.2025;10:15;Main tank;Q-{day};;48,5;12;6;4;3;<0,5;210;1800;18000;52000;9,5\n"
        (inbox / f"{day:02}.csv").write_text(HEADER + row, encoding="utf-8")
    rng = random.Random(20_261_125)
    for _ in range(KILLS):
        process = watcher(inbox, url)
        wait_for(inbox, len(list(inbox.glob("done/*.csv"))) + 1)
        time.sleep(rng.uniform(0.0, 0.1))
        process.send_signal(signal.SIGKILL)
        assert process.communicate(timeout=20)[1] == b""
    assert list(inbox.glob("*.csv")), "it was never killed in the middle of its work"
    process = watcher(inbox, url)
    wait_for(inbox, FILES)
    process.send_signal(signal.SIGTERM)
    assert process.communicate(timeout=20)[1] == b""
    assert process.returncode == 0
    assert sorted(path.name for path in inbox.glob("done/*")) == [
        f"{day:02}.csv" for day in range(1, FILES + 1)
    ]
    assert not (inbox / "set-aside").exists()
    database = Database(url)
    with database.read() as connection:
        found = connection.execute(sa.select(samples.c.laboratory_number, samples.c.revision)).all()
    database.dispose()
    assert sorted(found) == sorted((f"Q-{day}", 1) for day in range(1, FILES + 1))
