"""The door as instruments see it: posts over HTTP to the real server, beside an endpoint that stores the same rows in
the same table with the same driver and judges nothing (`bare_door`). Both take turns in one run, each on a database
of its own with the same history; wall time, since the disk and the network take part.
"""

import json
import os
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import numpy as np
from door_clients import body
from own_postgresql import OwnPostgresql
from served import PATIENCE_SECONDS, Service, free_port, kill

from app.domain.model import Asset, Compartment, Site, Source, SourceKind
from app.domain.recording.clock import ClockRule, OnDoubt
from app.intake.recording.payloads import parse_columns
from app.services.recording.recorder import Recorder
from app.services.registering import register
from app.store.database import Database
from app.store.keeping import migrate
from app.store.registering import source_lookup

NOW = datetime(1996, 1, 1, tzinfo=UTC)
"""Long ago: the clients get through years, and what is dated ahead of the server's clock would not be judged."""
SETTINGS = {
    "POSTS_PER_MINUTE": "0",
    "LOG_LEVEL": "WARNING",
    "CLOCK_ANCIENT": "judge",
}


@dataclass(frozen=True)
class Load:
    """How clients post: ``samples`` a post, ``step_minutes`` from one sample to the next."""

    name: str
    clients: int
    samples: int
    step_minutes: int
    seconds: float
    history_days: int = 300


@dataclass
class Door:
    """One of the two servers, and where its clients go on."""

    name: str
    path: str
    port: int
    keys: list[str]
    next: list[str]
    rates: list[float] = field(default_factory=list)
    latencies: list[float] = field(default_factory=list)
    answers: dict[str, int] = field(default_factory=dict)

    def post(self, load: Load, seconds: float, seed: int) -> None:
        """Let the clients post for so long and note what came of it."""
        spec = {
            "port": self.port,
            "path": self.path,
            "samples": load.samples,
            "step_minutes": load.step_minutes,
            "seconds": seconds,
            "clients": [
                {"key": key, "first": at, "seed": seed * 100 + i}
                for i, (key, at) in enumerate(zip(self.keys, self.next, strict=True))
            ],
        }
        with tempfile.NamedTemporaryFile("w", suffix=".json") as file:
            json.dump(spec, file)
            file.flush()
            script = Path(__file__).with_name("door_clients.py")
            done = subprocess.run([sys.executable, script, file.name], capture_output=True, check=True)
        told = json.loads(done.stdout)
        self.next = told["next"]
        self.rates.append(told["said"].get("stored", 0) / told["seconds"])
        self.latencies += told["latencies"]
        for what, count in told["said"].items():
            self.answers[what] = self.answers.get(what, 0) + count


def run_door(loads: list[tuple[str, Load]], runs: int) -> Iterator[str]:
    """Every load on its kind of database ("sqlite", "postgresql")."""
    for kind, load in loads:
        with _database_pair(kind) as (ours, bare), tempfile.TemporaryDirectory() as folder:
            yield _told(kind, load, *_measured(ours, bare, load, Path(folder), runs))


def _measured(ours: str, bare: str, load: Load, folder: Path, runs: int) -> tuple[Door, Door]:
    ours_keys, _ = prepare(ours, load)
    _, pairs = prepare(bare, load)
    begins = [NOW.isoformat()] * load.clients
    service = Service(folder, ours, free_port(), SETTINGS)
    with service.serving(), bare_serving(bare, pairs) as port:
        real = Door("Ullage", "/api/v1/samples", service.port, ours_keys, begins)
        plain = Door("bare", "/bare", port, [pair.split("=")[0] for pair in pairs], begins)
        for run in range(runs + 1):
            for door in (plain, real) if run % 2 else (real, plain):
                door.post(load, load.seconds, run)
                if run == 0:  # to warm up
                    door.rates.clear()
                    door.latencies.clear()
        return real, plain


@contextmanager
def bare_serving(url: str, pairs: list[str]) -> Iterator[int]:
    """The bare endpoint as a process, once it answers."""
    port = free_port()
    script = Path(__file__).with_name("bare_door.py")
    child = subprocess.Popen([sys.executable, str(script), url, str(port), *pairs], env=_environment())
    try:
        until = time.monotonic() + PATIENCE_SECONDS
        while time.monotonic() < until:
            try:
                httpx.get(f"http://127.0.0.1:{port}/", trust_env=False)
                break
            except httpx.TransportError:
                time.sleep(0.05)
        yield port
    finally:
        kill(child)


def _environment() -> dict[str, str]:
    return os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}


@contextmanager
def _database_pair(kind: str) -> Iterator[tuple[str, str]]:
    if kind == "sqlite":
        with tempfile.TemporaryDirectory() as folder:
            yield f"sqlite:///{folder}/ours.db", f"sqlite:///{folder}/bare.db"
        return
    server = OwnPostgresql.create(options=("max_wal_size=2GB", "shared_buffers=512MB"))
    try:
        server.start()
        yield server.create_database("ours"), server.create_database("bare")
    finally:
        server.remove()


def prepare(url: str, load: Load) -> tuple[list[str], list[str]]:
    """A fleet of an instrument a client with its history; its keys, and "source id=compartment id" of each."""
    database = Database(url)
    migrate.upgrade(database)
    register.register_site(database, Site("S", "Site", "UTC"))
    recorder, rule, noise = (
        Recorder(database, "http://ullage.example"),
        ClockRule(on_ancient=OnDoubt.JUDGE),
        random.Random(7),
    )
    keys, pairs = [], []
    for i in range(load.clients):
        asset = Asset(f"T{i}", f"Unit {i}", "S", year_energized=2000, rated_kv=110.0)
        register.register_asset(database, asset, (Compartment(asset.code, "main"),))
        source = Source(f"M{i}", f"Monitor {i}", SourceKind.INSTRUMENT, asset.code, ("main",), 240)
        register.register_source(database, source)
        keys.append(register.issue_instrument_key(database, source.code, NOW))
        with database.read() as connection:
            stored = source_lookup.find_source(connection, source.code)
        assert stored is not None
        pairs.append(f"{stored.id}={stored.compartments['main']}")
        count = load.history_days * 6
        content = body(NOW - timedelta(days=load.history_days), count, timedelta(hours=4), noise)
        recorder.record(stored, parse_columns(content, source, NOW, rule), NOW)
    database.dispose()
    return keys, pairs


def _told(kind: str, load: Load, real: Door, plain: Door) -> str:
    title = (
        f"{load.name} on {kind}: {load.clients} clients, {load.samples} sample(s) a post every"
        f" {load.step_minutes} min, {load.history_days} days of history each"
    )
    return summary(title, real, plain)


def summary(title: str, real: Door, plain: Door) -> str:
    """Rates and latencies of both, and the ratio round by round."""
    lines = [title]
    for door in (plain, real):
        p50, p95, p99 = (float(x) for x in np.percentile(door.latencies, (50, 95, 99)))
        lines.append(
            f"  {door.name:7s} {np.median(door.rates):9.0f} samples/s (rounds:"
            f" {', '.join(f'{r:.0f}' for r in door.rates)}); a post p50 {p50:.1f}, p95 {p95:.1f}, p99 {p99:.1f},"
            f" most {max(door.latencies):.1f} ms; answers {_answers(door.answers)}"
        )
    ratios = [ours / bare for ours, bare in zip(real.rates, plain.rates, strict=True)]
    lines.append(f"  ratio {np.median(ratios):.3f} (rounds: {', '.join(f'{r:.3f}' for r in ratios)})")
    return "\n".join(lines)


def _answers(answers: dict[str, Any]) -> str:
    return ", ".join(f"{what}: {count}" for what, count in sorted(answers.items()))
