"""`python -m tests.benchmarks faults`: SIGKILL to the server, to the worker and to PostgreSQL itself, under load; and
full disks, failing disks and cut connections.

Instruments post on through every fault and send again what was not answered. At the end the record must be exactly
what was sent, every sample judged, every alert raised once, every mail delivered. A kill of processes leaves the
page cache of the system: what a power cut would add is the word of the disk that fsync was done.
"""

import argparse
import random
import sys
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from bench_timing import machine
from fault_counts import table
from fault_hurts import KINDS
from fault_stage import run


def main(words: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks faults", description=__doc__)
    parser.add_argument("--rounds", type=int, default=100, help="kills in all; other faults are beyond these")
    parser.add_argument("--only", choices=KINDS, action="append", help="these kinds only")
    parser.add_argument("--seed", type=int, help="of the moments of the kills and of what is posted")
    parser.add_argument("--hurry", action="store_true", help="end leases of mails by hand instead of waiting")
    parser.add_argument("--out", type=Path, help="file for the table")
    given = parser.parse_args(words)
    seed = given.seed if given.seed is not None else random.SystemRandom().randrange(10**6)
    names = given.only or list(KINDS)
    counts = []
    for i, name in enumerate(names):
        began = time.monotonic()
        rounds = max(1, round(given.rounds * KINDS[name].share))
        counts.append(run(name, KINDS[name], rounds, seed + i, hurry=given.hurry))
        _say(f"{name}: {counts[-1].kills} kills in {time.monotonic() - began:.0f} s, seed {counts[-1].seed}")
    wrong = [f"{one.kind}: {text}" for one in counts for text in one.wrong]
    text = f"{machine()}\n{datetime.now(UTC):%Y-%m-%d %H:%M} UTC, seed {seed}\n\n{table(counts)}\n\n"
    text += "\n".join(["WRONG", *wrong[:50]]) if wrong else "nothing lost, nothing twice, nothing unjudged"
    _say(f"\n{text}")
    if given.out:
        given.out.write_text(f"{text}\n", encoding="utf-8")
    return 1 if wrong else 0


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()
