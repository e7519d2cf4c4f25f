"""`ullage demo` as a process: it fills, serves, simulates, and stops all it started."""

import json
import os
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest

from app.demo.command import DemoError, DemoOptions, clear, kept_end
from app.demo.server import ServerError, command, refuse_busy_port, running_server, wait_until_healthy
from app.signals import stopping_on_signals

NOW = datetime(2026, 11, 25, 9, 12, tzinfo=UTC)
RUN = """
import sys
from pathlib import Path
from app.demo.command import DemoError, DemoOptions, run_demo
options = DemoOptions(port=int(sys.argv[1]), folder=Path(sys.argv[2]), keep="--keep" in sys.argv, speed=1.5e6)
try:
    run_demo(options, lambda line: print(line, flush=True))
except DemoError as error:
    sys.exit(str(error))
"""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def demo_process(port: int, folder: Path, *more: str) -> Iterator[subprocess.Popen[str]]:
    """The demo in a process group of its own, as a terminal would start it."""
    process = subprocess.Popen(
        [sys.executable, "-c", RUN, str(port), str(folder), *more],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )
    assert process.stdout is not None
    try:
        yield process
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
        process.stdout.close()


def read_until(process: subprocess.Popen[str], wanted: str, seconds: float = 60.0) -> str:
    """What the process prints up to a line that holds ``wanted``."""
    assert process.stdout is not None
    timer = threading.Timer(seconds, process.kill)
    timer.start()
    lines = []
    try:
        for line in process.stdout:
            lines.append(line)
            if wanted in line:
                return "".join(lines)
    finally:
        timer.cancel()
    pytest.fail(f"{wanted!r} was not said:\n{''.join(lines)}")


def group_is_gone(group: int) -> bool:
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return True
    return False


def test_demo_runs_from_start_to_ctrl_c_and_goes_on_when_kept(tmp_path: Path) -> None:
    port, folder = free_port(), tmp_path / "demo"
    url = f"http://127.0.0.1:{port}"
    with demo_process(port, folder) as process:
        said = read_until(process, f"Ullage runs at {url}")
        assert "samples recorded and judged" in said
        with httpx.Client(base_url=url, trust_env=False) as client:
            for path in ("/health", "/", "/assets/QUE-T1", "/mail"):
                assert client.get(path).status_code == 200, path
        read_until(process, "QUE-T1-M: has reached the present")
        with closing(sqlite3.connect(folder / "ullage.db")) as connection:
            statuses = [status for (status,) in connection.execute(NEWEST_FIRST)]
        assert statuses[0] == 3
        assert statuses[-1] == 1
        assert 2 in statuses
        until = time.monotonic() + 15.0
        while len(list((folder / "mail").glob("*.eml"))) < 2 and time.monotonic() < until:
            time.sleep(0.2)
        assert len(list((folder / "mail").glob("*.eml"))) >= 2
        os.killpg(process.pid, signal.SIGINT)  # what Ctrl-C does: the whole group gets it
        assert process.wait(30) == 0
        assert group_is_gone(process.pid)
    count = samples_in(folder)
    with demo_process(port, folder, "--keep") as process:
        read_until(process, "QUE-T1-M: has reached the present")
        process.terminate()
        assert process.wait(30) == 0
        assert group_is_gone(process.pid)
    assert samples_in(folder) == count


NEWEST_FIRST = """
    select a.status from assessments a join samples s on s.id = a.sample_id join sources o on o.id = s.source_id
    where o.code = 'QUE-T1-M' and a.superseded_at is null order by s.taken_at desc
"""


def samples_in(folder: Path) -> int:
    with closing(sqlite3.connect(folder / "ullage.db")) as connection:
        return int(connection.execute("select count(*) from samples").fetchone()[0])


def test_a_busy_port_is_told_before_anything_is_written(tmp_path: Path) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        with pytest.raises(ServerError, match=rf"port {port}: .*choose another port"):
            refuse_busy_port("127.0.0.1", port)
        with demo_process(port, tmp_path / "demo") as process:
            said = read_until(process, "choose another port")
            assert process.wait(30) == 1
    assert f"port {port}" in said
    assert not (tmp_path / "demo").exists()


def test_a_service_that_ends_is_told_with_its_last_words(tmp_path: Path) -> None:
    port = free_port()
    settings = DemoOptions(port=port, folder=tmp_path).settings()
    broken = settings.model_copy(update={"worker_poll_seconds": -1.0})
    log = tmp_path / "server.log"
    told = pytest.raises(ServerError, match=r"ended by itself[\s\S]*WORKER_POLL_SECONDS")
    with running_server(broken, log) as server, told:
        wait_until_healthy(server, f"http://127.0.0.1:{port}", log, threading.Event())
    assert server.returncode == 1


def test_settings_go_to_the_child_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ULLAGE_DATABASE_URL", "postgresql+psycopg://the/real/one")
    monkeypatch.setenv("ULLAGE_MAIL_TRANSPORT", "smtp")
    before = dict(os.environ)
    words = command(DemoOptions(port=8801, folder=tmp_path).settings())
    assert f"ULLAGE_DATABASE_URL=sqlite:///{tmp_path / 'ullage.db'}" in words
    assert "ULLAGE_MAIL_TRANSPORT=folder" in words
    assert dict(os.environ) == before


def test_clearing_removes_what_the_demo_wrote_and_nothing_else(tmp_path: Path) -> None:
    for name in ("ullage.db", "demo.json", "server.log", "thesis.txt"):
        (tmp_path / name).write_text("x")
    (tmp_path / "mail").mkdir()
    (tmp_path / "mail" / "a.eml").write_text("x")
    (tmp_path / "photos").mkdir()
    clear(tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["photos", "thesis.txt"]


def test_keeping_needs_something_recent_to_keep(tmp_path: Path) -> None:
    with pytest.raises(DemoError, match="no demo to keep"):
        kept_end(tmp_path, NOW)
    (tmp_path / "demo.json").write_text(json.dumps({"end": NOW.isoformat()}))
    assert kept_end(tmp_path, NOW + timedelta(days=29)) == NOW
    with pytest.raises(DemoError, match="ended on 2026-11-25"):
        kept_end(tmp_path, NOW + timedelta(days=31))


def test_signals_set_the_event_and_their_handlers_come_back() -> None:
    before = signal.getsignal(signal.SIGTERM)
    stop = threading.Event()
    with stopping_on_signals(stop):
        os.kill(os.getpid(), signal.SIGTERM)
        assert stop.wait(5)
    assert signal.getsignal(signal.SIGTERM) is before
