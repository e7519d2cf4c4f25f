"""Logging of the real processes: one JSON object a line on standard error, and no secret in a traceback."""

import json
import os
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import httpx
import pytest

OWN_AND_FOREIGN = """
import logging, sys, structlog
from app.jobs import logging_setup

early = structlog.get_logger("early")  # as modules do at import
logging_setup.configure(sys.argv[1])

def send(password):
    key = "ull_" + password
    raise ValueError("the server said µ")

early.debug("fine print")
early.info("mail", result="sent")
logging.getLogger("uvicorn.error").warning("port %d", 8750, extra={"color_message": "port"})
try:
    send("s3cret" * 1)
except ValueError:
    early.exception("the turn failed")
    logging.getLogger("library").exception("it failed")
"""


def logged(text: str) -> list[dict[str, Any]]:
    """The lines; anything that is no JSON object fails."""
    lines = [json.loads(line) for line in text.splitlines()]
    assert all({"event", "level", "logger", "timestamp"} <= line.keys() for line in lines)
    return lines


def child(*words: str, folder: Path, **settings: str) -> subprocess.Popen[str]:
    inherited = {k: v for k, v in os.environ.items() if not k.startswith("ULLAGE_")}
    own = {f"ULLAGE_{name.upper()}": value for name, value in settings.items()}
    pipe = subprocess.PIPE
    return subprocess.Popen(
        [sys.executable, "-c", *words],
        cwd=folder,
        env={**inherited, **own},
        stdout=pipe,
        stderr=pipe,
        text=True,
        encoding="utf-8",
    )


@pytest.mark.parametrize(("level", "said"), [("DEBUG", 5), ("INFO", 4), ("WARNING", 3), ("ERROR", 2)])
def test_own_lines_and_those_of_libraries_are_json_of_the_wanted_level(
    tmp_path: Path, level: str, said: int
) -> None:
    out, err = child(OWN_AND_FOREIGN, level, folder=tmp_path).communicate(timeout=60)
    lines = logged(err)
    assert out == ""
    assert len(lines) == said
    assert {"ValueError: the server said µ" in line["exception"] for line in lines[-2:]} == {True}
    assert all("line 10, in send" in line["exception"] for line in lines[-2:])
    assert "s3cret" not in err.replace('send(\\"s3cret\\" * 1)', "")
    assert "color_message" not in err
    if level == "INFO":
        assert [(x["logger"], x["level"], x["event"]) for x in lines] == [
            ("early", "info", "mail"),
            ("uvicorn.error", "warning", "port 8750"),
            ("early", "error", "the turn failed"),
            ("library", "error", "it failed"),
        ]
        assert lines[0]["result"] == "sent"


def test_the_server_and_its_worker_log_json_from_the_first_line_to_the_last(tmp_path: Path) -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    program = "from app.cli.main import main; main()"
    settings = {"port": str(port), "database_url": "sqlite:///record.db", "log_level": "DEBUG"}
    server = child(program, "serve", folder=tmp_path, **settings)
    try:
        deadline = time.monotonic() + 60
        while not answers(port):
            assert time.monotonic() < deadline
            assert server.poll() is None, server.communicate()
            time.sleep(0.1)
        server.send_signal(signal.SIGTERM)
        out, err = server.communicate(timeout=30)
    finally:
        if server.poll() is None:
            server.kill()
            server.communicate()
    lines = logged(err)
    assert out == ""
    assert any(f"127.0.0.1:{port}" in line["event"] for line in lines), "where it listens"
    asked = [line for line in lines if line["event"] == "request"]
    assert {(line["method"], line["route"], line["status"], line["level"]) for line in asked} == {
        ("GET", "/health", 200, "debug")
    }, "who asked, since the level is DEBUG"


def answers(port: int) -> bool:
    try:
        return httpx.get(f"http://127.0.0.1:{port}/health", trust_env=False).status_code == 200
    except httpx.TransportError:
        return False


def test_the_worker_by_itself_logs_json(tmp_path: Path) -> None:
    worker = child(
        "from app.cli.main import main; main()",
        "worker",
        folder=tmp_path,
        database_url="sqlite:///w.db",
        worker_poll_seconds="0.05",
    )
    database = tmp_path / "w.db"
    deadline = time.monotonic() + 60
    while not break_it(database):
        assert time.monotonic() < deadline
        assert worker.poll() is None, worker.communicate()
        time.sleep(0.1)
    assert worker.stderr is not None
    first = worker.stderr.readline()  # it says so at once, and goes on
    assert worker.poll() is None
    worker.send_signal(signal.SIGTERM)
    _, rest = worker.communicate(timeout=30)
    assert worker.returncode == 0
    for line in logged(first + rest):
        assert (line["logger"], line["level"], line["event"]) == ("worker", "error", "the turn failed")
        assert "no such table: messages" in line["exception"]


def break_it(path: Path) -> bool:
    """Take the worker's table away once it beats: something that goes wrong in each turn."""
    if not path.exists():
        return False
    with closing(sqlite3.connect(path, timeout=10, isolation_level=None)) as connection:
        try:
            if connection.execute("select count(*) from heartbeats").fetchone() == (0,):
                return False
        except sqlite3.OperationalError:  # not migrated yet
            return False
        connection.execute("drop table messages")
    return True
