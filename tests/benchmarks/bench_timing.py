"""Timing for the benchmarks: several runs, the least and the median, and the machine they were made on."""

import os
import platform
import resource
import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path


@dataclass(frozen=True)
class Timed:
    """Seconds of several runs of ``count`` things each."""

    name: str
    count: int
    seconds: tuple[float, ...]

    @property
    def per_second(self) -> float:
        """Things a second in the median run."""
        return self.count / statistics.median(self.seconds)

    @property
    def best_per_second(self) -> float:
        return self.count / min(self.seconds)

    def __str__(self) -> str:
        return (
            f"  {self.name:<58} {self.per_second:>12,.0f} /s median {self.best_per_second:>12,.0f} /s best   "
            f"({self.count:,} in {statistics.median(self.seconds):.3g} s, {len(self.seconds)} runs)"
        )


def timed(
    name: str,
    count: int,
    work: Callable[[], object],
    runs: int,
    clock: Callable[[], float] = time.process_time,
) -> Timed:
    """Run ``work`` once to warm up, then ``runs`` times."""
    work()
    seconds = []
    for _ in range(runs):
        start = clock()
        work()
        seconds.append(max(clock() - start, 1e-9))
    return Timed(name, count, tuple(seconds))


def tell(title: str, fast: Timed, baseline: Timed) -> str:
    """Two measurements of one run side by side, and their ratio."""
    ratio = fast.per_second / baseline.per_second
    return f"{title}\n{fast}\n{baseline}\n  ratio {ratio:.3g}"


def use_one_core() -> str:
    """Keep this process on one core; says which."""
    if not hasattr(os, "sched_setaffinity"):
        return "one core: not pinned (this system cannot)"
    core = max(os.sched_getaffinity(0))
    os.sched_setaffinity(0, {core})
    return f"one core: number {core}"


def use_all_cores() -> str:
    """Let this process and its children go where they like again: a server, its database and its clients."""
    if not hasattr(os, "sched_setaffinity"):
        return "all cores"
    os.sched_setaffinity(0, range(os.cpu_count() or 1))
    return f"all {len(os.sched_getaffinity(0))} cores"


def machine() -> str:
    """What the figures were measured on."""
    processor = platform.processor() or platform.machine()
    information = Path("/proc/cpuinfo")
    if information.exists():
        names = [
            line for line in information.read_text(encoding="utf-8").splitlines() if "model name" in line
        ]
        processor = names[0].partition(":")[2].strip() if names else processor
    load = f", load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    return (
        f"{processor}, {os.cpu_count()} cores{load}; {platform.system()} {platform.release()}; "
        f"Python {platform.python_version()}, numpy {version('numpy')}"
    )


def peak_memory() -> str:
    """Greatest resident memory so far."""
    return f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2g} GB"
