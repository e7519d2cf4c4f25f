"""What is seen from outside while the soak runs, and what it comes to: latencies, memory, sizes."""

import math
import re
import statistics
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import psycopg
from own_postgresql import plain
from served import footprint


@dataclass
class Tally:
    """Answers of one kind of request."""

    sent: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)
    errors: Counter[str] = field(default_factory=Counter)
    seconds: list[float] = field(default_factory=list)
    """From when it was due to when the whole answer was there: a stall counts for everybody who waits."""
    service_seconds: list[float] = field(default_factory=list)
    """From when it was really sent."""
    examples: list[str] = field(default_factory=list)

    def error(self, kind: str, text: str) -> None:
        self.errors[kind] += 1
        if len(self.examples) < 20:
            words = " ".join(re.sub(r"<head>.*</head>|<[^>]*>", " ", text, flags=re.DOTALL).split())
            self.examples.append(f"{kind}: {words[:300]}")

    def told(self) -> dict[str, Any]:
        return {
            "sent": self.sent,
            "outcomes": dict(sorted(self.outcomes.items())),
            "errors": dict(self.errors),
            "error_examples": self.examples,
            "milliseconds_from_when_due": quantiles(self.seconds),
            "milliseconds_from_when_sent": quantiles(self.service_seconds),
        }


def quantiles(seconds: Sequence[float]) -> dict[str, float]:
    """p50, p95, p99 and the greatest, in milliseconds (nearest rank); empty without any."""
    if not seconds:
        return {}
    ordered = sorted(seconds)

    def at(share: float) -> float:
        return round(1000 * ordered[max(0, math.ceil(share * len(ordered)) - 1)], 2)

    return {"p50": at(0.5), "p95": at(0.95), "p99": at(0.99), "max": at(1.0)}


@dataclass(frozen=True)
class Sight:
    """The service at one moment, ``at`` seconds after the load began."""

    at: float
    rss_mb: float
    files: int
    threads: int
    database_mb: float
    wal_mb: float
    """SQLite: the size of the WAL file. PostgreSQL: what was written to the log since the beginning."""


class Watch:
    """Looks at a server's processes and database."""

    def __init__(self, pid: int, database_url: str) -> None:
        self.pid = pid
        self.began = time.monotonic()
        self.sights: list[Sight] = []
        self._sizes = _sqlite_sizes(database_url) or _postgresql_sizes(database_url)

    def look(self) -> Sight:
        held = footprint(self.pid)
        database_mb, wal_mb = self._sizes()
        at = time.monotonic() - self.began
        self.sights.append(Sight(at, held.rss_mb, held.files, held.threads, database_mb, wal_mb))
        return self.sights[-1]

    def told(self) -> dict[str, Any]:
        settled = self.settled_after()
        later = [s for s in self.sights if s.at >= settled]
        return {
            "rss_mb_begin": round(self.sights[0].rss_mb, 1),
            "rss_mb_settled": round(later[0].rss_mb, 1),
            "rss_mb_end": round(later[-1].rss_mb, 1),
            "rss_mb_max": round(max(s.rss_mb for s in self.sights), 1),
            "settled_after_seconds": settled,
            "rss_slope_mb_per_hour": slope([(s.at, s.rss_mb) for s in later]),
            "files": [self.sights[0].files, max(s.files for s in self.sights), self.sights[-1].files],
            "threads": [self.sights[0].threads, max(s.threads for s in self.sights), self.sights[-1].threads],
            "database_mb": [round(self.sights[0].database_mb, 1), round(self.sights[-1].database_mb, 1)],
            "wal_mb_max": round(max(s.wal_mb for s in self.sights), 1),
            "wal_mb_end": round(self.sights[-1].wal_mb, 1),
            "sights": [{k: round(v, 2) for k, v in asdict(s).items()} for s in self.sights],
        }

    def settled_after(self) -> float:
        """Ten minutes, or a sixth of a run that is shorter than an hour: caches fill in that time."""
        return min(600.0, self.sights[-1].at / 6)


def slope(points: Sequence[tuple[float, float]]) -> dict[str, float] | None:
    """Least squares over the means of minutes: MB an hour and its 95 % interval; None below three minutes.

    Means of minutes, since sights ten seconds apart are not independent of one another.
    """
    from scipy.stats import linregress, t  # takes long to import

    minutes: dict[int, list[tuple[float, float]]] = {}
    for at, value in points:
        minutes.setdefault(int(at // 60), []).append((at, value))
    if len(minutes) < 3:
        return None
    x = [statistics.fmean(at for at, _ in m) / 3600 for m in minutes.values()]
    y = [statistics.fmean(value for _, value in m) for m in minutes.values()]
    fit = linregress(x, y)
    half = float(t.ppf(0.975, len(x) - 2)) * float(fit.stderr)
    best = float(fit.slope)
    return {"slope": round(best, 2), "low": round(best - half, 2), "high": round(best + half, 2)}


def _sqlite_sizes(url: str) -> Callable[[], tuple[float, float]] | None:
    if not url.startswith("sqlite:///"):
        return None
    path = Path(url.removeprefix("sqlite:///"))
    wal = path.with_name(path.name + "-wal")
    return lambda: (path.stat().st_size / 1e6, wal.stat().st_size / 1e6 if wal.exists() else 0.0)


def _postgresql_sizes(url: str) -> Callable[[], tuple[float, float]]:
    query = "SELECT pg_database_size(current_database()), pg_wal_lsn_diff(pg_current_wal_lsn(), %s)"
    with psycopg.connect(plain(url)) as connection:
        begin = connection.execute("SELECT pg_current_wal_lsn()").fetchone()

    def sizes() -> tuple[float, float]:
        with psycopg.connect(plain(url)) as connection:
            row = connection.execute(query, begin).fetchone()
        assert row is not None
        return row[0] / 1e6, float(row[1]) / 1e6

    return sizes
