"""Figures for Prometheus: what this process counted, and what the database says when it is asked.

Whoever records samples tells :func:`count_outcomes`, :func:`observe_record` and :func:`observe_group`; services know
nothing of this module. Labels have few values: templates of paths, never codes of instruments.

With several server processes (``ullage serve --workers``) each writes its figures into a folder they share, and
whichever is asked adds them up; see :func:`app.config.share_metrics`. The database's figures are read by the one asked.
"""

import platform
from collections import Counter as Tally
from collections.abc import Iterable, Iterator
from datetime import datetime
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Final

from prometheus_client import (
    REGISTRY,
    CollectorRegistry,
    Counter,
    Gauge,
    Histogram,
    disable_created_metrics,
    generate_latest,
)
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.multiprocess import MultiProcessCollector, mark_process_dead
from prometheus_client.process_collector import ProcessCollector
from prometheus_client.registry import Collector

from app.config import shared_metrics
from app.services.health.vital_signs import Figures, age

# a second series for each, of no use to anybody here
disable_created_metrics()  # type: ignore[no-untyped-call]
CONTENT_TYPE: Final = "text/plain; version=0.0.4; charset=utf-8"
_METHODS: Final = frozenset({"GET", "HEAD", "POST", "PUT", "DELETE", "PATCH", "OPTIONS"})

_REQUESTS = Counter("ullage_http_requests", "Requests answered", ["route", "method", "status"])
_SECONDS = Histogram(
    "ullage_http_request_seconds",
    "Time from a request's head to the end of its answer",
    ["route", "method"],
    buckets=(0.002, 0.005, 0.01, 0.02, 0.04, 0.08, 0.15, 0.3, 0.6, 1.2, 2.5, 5, 10, 30),
)
_SAMPLES = Counter(
    "ullage_samples",
    "Posted samples by what became of them: stored, already_known, revised, ...",
    ["outcome"],
)
_RECORD_SECONDS = Histogram(
    "ullage_record_seconds",
    "Time that a post waited until it was recorded: its turn, judging and commit",
    buckets=(0.002, 0.005, 0.01, 0.02, 0.04, 0.08, 0.15, 0.3, 0.6, 1.2, 2.5, 5, 10),
)
_GROUP_POSTS = Histogram(
    "ullage_group_posts",
    "Posts in one transaction: how far they share a commit",
    buckets=(1, 2, 4, 8, 16, 32, 64),
)
_GROUP_SAMPLES = Histogram(
    "ullage_group_samples",
    "Samples in one transaction",
    buckets=(1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1000, 2000, 5000),
)
_CONNECTIONS = Gauge(
    "ullage_database_connections",
    "Connections of the server's pool, as of each process's latest request",
    ["state"],
    multiprocess_mode="livesum",
)


@cache
def _requests(route: str, method: str, status: int | None) -> Counter:
    return _REQUESTS.labels(route, method, "none" if status is None else str(status))


@cache
def _seconds(route: str, method: str) -> Histogram:
    return _SECONDS.labels(route, method)


def observe_request(route: str, method: str, status: int | None, seconds: float) -> None:
    """Count one request; ``status`` None: it ended without an answer."""
    method = method if method in _METHODS else "other"
    _requests(route, method, status).inc()
    _seconds(route, method).observe(seconds)


def count_outcomes(outcomes: Iterable[str]) -> None:
    """Count what became of posted samples, an outcome each: ``count_outcomes(o.result for o in outcomes)``."""
    for outcome, number in Tally(outcomes).items():
        _SAMPLES.labels(outcome).inc(number)


def observe_record(seconds: float) -> None:
    """Note how long a post waited until it was recorded."""
    _RECORD_SECONDS.observe(seconds)


def observe_group(posts: int, samples: int) -> None:
    """Note how many posts, and samples of them, one transaction held: what ``services.recorder`` observes."""
    _GROUP_POSTS.observe(posts)
    _GROUP_SAMPLES.observe(samples)


def observe_connections(in_use: int, idle: int) -> None:
    """Note the state of this process's pool of database connections."""
    _CONNECTIONS.labels("in_use").set(in_use)
    _CONNECTIONS.labels("idle").set(idle)


def exposition(figures: Figures | None, now: datetime, database: str) -> bytes:
    """Everything in Prometheus's text format.

    Args:
        figures: what the database says; None: it did not answer in time, and only ``ullage_database_up`` tells so.
        now: the time, for ages.
        database: the kind of store, ``sqlite`` or ``postgresql``.
    """
    own = CollectorRegistry(auto_describe=False)
    own.register(_Given([_build(database), *_of_database(figures, now)]))
    folder = shared_metrics()
    if folder is None:
        return generate_latest(REGISTRY) + generate_latest(own)
    _forget_the_dead(folder)
    counted = CollectorRegistry()
    MultiProcessCollector(counted, path=folder)  # type: ignore[no-untyped-call]
    own.register(_Processes(folder))
    return generate_latest(counted) + generate_latest(own)


class _Given(Collector):
    """Metrics that are there already."""

    def __init__(self, metrics: list[Metric]) -> None:
        self._metrics = metrics

    def collect(self) -> Iterable[Metric]:
        return self._metrics


def _pids(folder: str) -> dict[str, bool]:
    """The processes that left figures in the folder, and whether each still runs (where the system tells)."""
    told = {path.stem.rpartition("_")[2] for path in Path(folder).glob("*.db")}
    return {pid: Path("/proc", pid).exists() for pid in sorted(told) if pid.isdigit()}


def _forget_the_dead(folder: str) -> None:
    """What an ended process counted stays counted; the connections that it had are gone."""
    if Path("/proc/self").exists():
        for pid, runs in _pids(folder).items():
            if not runs:
                mark_process_dead(int(pid), folder)  # type: ignore[no-untyped-call]


class _Processes(Collector):
    """Memory, processor time and open files of each server process, with its pid."""

    def __init__(self, folder: str) -> None:
        self._running = [pid for pid, runs in _pids(folder).items() if runs]

    def collect(self) -> Iterator[Metric]:
        gathered: dict[str, Metric] = {}
        for pid in self._running:
            process = ProcessCollector(pid=lambda pid=pid: pid, registry=None)  # type: ignore[misc]
            for metric in process.collect():
                family = gathered.setdefault(
                    metric.name, Metric(metric.name, metric.documentation, metric.type)
                )
                for sample in metric.samples:
                    family.add_sample(sample.name, {**sample.labels, "pid": pid}, sample.value)
        yield from gathered.values()


def _build(database: str) -> Metric:
    told = GaugeMetricFamily("ullage_build_info", "Always 1", labels=["version", "python", "database"])
    told.add_metric([version("ullage"), platform.python_version(), database], 1)
    return told


def _of_database(figures: Figures | None, now: datetime) -> Iterator[Metric]:
    up = 0 if figures is None else 1
    yield GaugeMetricFamily("ullage_database_up", "1: it answered in time, and the rest is true", value=up)
    if figures is None:
        return
    vitals = figures.vitals
    outbox = GaugeMetricFamily("ullage_outbox_messages", "Mails not delivered, by state", labels=["state"])
    outbox.add_metric(["queued"], vitals.queued)
    outbox.add_metric(["failed"], vitals.failed)
    yield outbox
    oldest = age(vitals.oldest_queued_at, now)
    yield GaugeMetricFamily(
        "ullage_outbox_oldest_seconds", "Age of the oldest mail that waits; 0: none does", value=oldest or 0
    )
    beat = age(vitals.heartbeat_at, now)
    if beat is not None:
        yield GaugeMetricFamily(
            "ullage_worker_heartbeat_age_seconds", "Since the latest sign of life of any worker", value=beat
        )
    alerts = GaugeMetricFamily(
        "ullage_alerts", "Alerts that are not back to normal", labels=["condition", "severity", "state"]
    )
    for condition, severity, state, number in figures.alerts:
        alerts.add_metric([condition, str(severity), state], number)
    yield alerts
    heard = GaugeMetricFamily(
        "ullage_instruments", "Instruments by when they posted last: within the hour, ...", labels=["heard"]
    )
    for when, number in figures.instruments.items():
        heard.add_metric([when], number)
    yield heard
