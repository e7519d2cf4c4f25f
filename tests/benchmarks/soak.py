"""`python -m tests.benchmarks soak`: the real server under a steady load for as long as you like.

A fleet of instruments posts at random times, people read pages, some units develop a fault; memory, files, sizes
and latencies are watched from outside. At the end everything answered is looked for in the database.
Exit code 0: no error, nothing lost, nothing twice, nothing unjudged, everybody told once.
"""

import argparse
import asyncio
import json
import signal
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import sqlalchemy as sa
from bench_timing import machine
from own_postgresql import OwnPostgresql
from served import Service, free_port
from soak_check import MUST_BE_ZERO, check_mail, check_record
from soak_fleet import HISTORY_STEP, STEP, Fleet, Unit, plan_faults, register
from soak_load import Load, Pace
from soak_report import readable
from soak_watch import Watch

from app.store.database import Database
from app.store.keeping import migrate
from app.store.schema import sources

LOOK_EVERY = 10.0
HISTORY_BATCH = 500
PATIENCE_SECONDS = 120.0


@dataclass(frozen=True)
class Plan:
    """What the command line asks for."""

    pace: Pace
    units: int
    history_days: float
    seed: int

    @property
    def readings_each(self) -> float:
        return self.pace.seconds * self.pace.samples_per_second / self.units


def say(text: str) -> None:
    sys.stdout.write(f"{datetime.now(UTC):%H:%M:%S} {text}\n")
    sys.stdout.flush()


def main(words: Sequence[str]) -> int:
    given = _parser().parse_args(words)
    pace = Pace(given.minutes * 60, given.rate, given.pages_per_second, given.gzip_share)
    plan = Plan(pace, given.units, given.history_days, given.seed)
    say(f"{machine()}; seed {plan.seed}")
    with (
        tempfile.TemporaryDirectory(prefix="ullage-soak-") as name,
        _database(given.database, Path(name)) as url,
    ):
        service = Service(Path(name), url, free_port(), dict(s.split("=", 1) for s in given.setting))
        report = _soak(service, plan)
    text = readable(report)
    say(f"done\n\n{text}")
    if given.out:
        given.out.mkdir(parents=True, exist_ok=True)
        (given.out / "soak.json").write_text(json.dumps(report, indent=1), encoding="utf-8")
        (given.out / "soak.txt").write_text(text, encoding="utf-8")
    return 0 if report["passed"] else 1


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks soak", description=__doc__)
    parser.add_argument("--minutes", type=float, default=60)
    parser.add_argument("--rate", type=float, default=50, help="samples a second")
    parser.add_argument("--pages-per-second", type=float, default=1)
    parser.add_argument("--gzip-share", type=float, default=0.1, help="share of posts that come compressed")
    parser.add_argument("--units", type=int, default=200, help="transformers with a monitor each")
    parser.add_argument("--history-days", type=float, default=90, help="of six-hourly readings beforehand")
    parser.add_argument("--seed", type=int, default=20261125)
    parser.add_argument("--out", type=Path, help="folder for soak.json and soak.txt")
    parser.add_argument(
        "--setting", action="append", default=[], help="NAME=VALUE of the server, without ULLAGE_"
    )
    parser.add_argument(
        "--database",
        default="sqlite",
        help="sqlite (a new file), postgresql (a new server, durable), or the URL of an empty database",
    )
    return parser


@contextmanager
def _database(wanted: str, folder: Path) -> Iterator[str]:
    if wanted == "postgresql":
        server = OwnPostgresql.create()
        try:
            server.start()
            yield server.create_database("soak")
        finally:
            server.remove()
    else:
        yield f"sqlite:///{folder / 'ullage.db'}" if wanted == "sqlite" else wanted


def _soak(service: Service, plan: Plan) -> dict[str, Any]:
    database = Database(service.database_url)
    try:
        fleet = _prepare(database, plan)
        with service.serving() as child:
            _load_history(service, fleet, plan)
            ill = plan_faults(fleet.units, plan.readings_each, plan.seed)
            say(f"{len(fleet.units)} units, {len(ill)} of which will develop a fault; the load begins")
            watch, load = (
                Watch(child.pid, service.database_url),
                Load(service.url, fleet, plan.pace, plan.seed),
            )
            since = datetime.now(UTC)
            asyncio.run(load.run(_every_second(watch, load, plan)))
            watch.look()
            drained = _wait_for_the_mail(service)
            child.send_signal(signal.SIGTERM)
            exit_code = child.wait(PATIENCE_SECONDS)
        found = check_record(database, load.ledger, since) | check_mail(database, service.mail_folder, ill)
    finally:
        database.dispose()
    log = (service.folder / "server.log").read_text(errors="replace").splitlines()
    return _report(plan, load, watch, found) | {
        "database": database.url.get_backend_name(),
        "mail_queue_drained": drained,
        "exit_code_at_sigterm": exit_code,
        "server_log_errors": [line[-2000:] for line in log if '"error"' in line or "Traceback" in line][:20],
    }


def _prepare(database: Database, plan: Plan) -> Fleet:
    migrate.upgrade(database)
    with database.read() as connection:
        if connection.execute(sa.select(sa.func.count()).select_from(sources)).scalar_one():
            raise SystemExit("this database is in use: give an empty one")
    played = STEP * plan.readings_each * 1.3  # ends before the present, however the dice fall
    begin = datetime.now(UTC) - timedelta(days=plan.history_days) - played - timedelta(days=1)
    return register(database, plan.units, begin, plan.seed)


def _load_history(service: Service, fleet: Fleet, plan: Plan) -> None:
    """Through the door, as a monitor sends what it kept while nobody listened."""
    count = int(timedelta(days=plan.history_days) / HISTORY_STEP)
    began = time.monotonic()

    def send(unit: Unit) -> None:
        with httpx.Client(base_url=service.url, timeout=PATIENCE_SECONDS, trust_env=False) as http:
            for start in range(0, count, HISTORY_BATCH):
                batch = [unit.measure(HISTORY_STEP) for _ in range(min(HISTORY_BATCH, count - start))]
                headers = {"Authorization": f"Bearer {unit.key}"}
                http.post("/api/v1/samples", json={"samples": batch}, headers=headers).raise_for_status()

    with ThreadPoolExecutor(2) as pool:
        for done, _ in enumerate(pool.map(send, fleet.units), 1):
            if done % 50 == 0:
                say(f"history of {done} units loaded")
    say(f"{count * len(fleet.units):,} samples of history in {time.monotonic() - began:.0f} s")


def _every_second(watch: Watch, load: Load, plan: Plan) -> Any:
    """Looks every ten seconds, says a line every minute."""
    watch.look()

    def tick() -> None:
        at = time.monotonic() - watch.began
        if at - watch.sights[-1].at < LOOK_EVERY - 0.5:
            return
        minutes = int(watch.sights[-1].at // 60)
        sight = watch.look()
        if int(sight.at // 60) > minutes:
            answered = sum(load.posts.outcomes.values())
            kinds = load.posts.errors + load.pages.errors
            errors = f"{sum(kinds.values())} errors{f' {dict(kinds)}' if kinds else ''}"
            say(
                f"{sight.at / 60:.0f} of {plan.pace.seconds / 60:.0f} min: {answered:,} samples answered,"
                f" {load.pages.sent:,} pages, {errors}, {sight.rss_mb:.0f} MB,"
                f" {sight.files} files, {sight.threads} threads, database {sight.database_mb:.0f} MB"
            )

    return tick


def _wait_for_the_mail(service: Service) -> bool:
    until = time.monotonic() + PATIENCE_SECONDS
    while time.monotonic() < until:
        told = httpx.get(f"{service.url}/health", timeout=PATIENCE_SECONDS, trust_env=False).json()
        if told["queued_messages"] == 0:
            return True
        time.sleep(0.5)
    return False


def _report(plan: Plan, load: Load, watch: Watch, found: dict[str, Any]) -> dict[str, Any]:
    failed = {name: found[name] for name in MUST_BE_ZERO if found[name]}
    failed |= {f"posts: {kind}": n for kind, n in load.posts.errors.items()}
    failed |= {f"pages: {kind}": n for kind, n in load.pages.errors.items()}
    if found["faults_raised"] != found["faults_fully_grown"]:
        failed["faults nobody was told of"] = found["faults_fully_grown"] - found["faults_raised"]
    return {
        "at": datetime.now(UTC).isoformat(timespec="seconds"),
        "machine": machine(),
        "minutes": plan.pace.seconds / 60,
        "samples_per_second_asked": plan.pace.samples_per_second,
        "samples_per_second_answered": round(sum(load.posts.outcomes.values()) / plan.pace.seconds, 2),
        "pages_per_second_asked": plan.pace.pages_per_second,
        "units": plan.units,
        "history_days": plan.history_days,
        "seed": plan.seed,
        "kinds_of_posts": dict(load.kinds),
        "posts": load.posts.told(),
        "pages": load.pages.told(),
        "milliseconds_by_page": {
            page: t.told()["milliseconds_from_when_due"] for page, t in load.by_page.items()
        },
        "client_late_ms_max": round(1000 * load.latest_start, 1),
        "server": watch.told(),
        "record": found,
        "failed": failed,
        "passed": not failed,
    }
