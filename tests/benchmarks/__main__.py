"""`python -m tests.benchmarks`: figures of this machine, each beside a baseline measured in the same run.
`python -m tests.benchmarks soak --help`: the server under a steady load, watched from outside.
`python -m tests.benchmarks faults --help`: a hundred kills of server, worker and PostgreSQL, and what was lost.

Nothing is asserted about speed. The engine is timed in processor seconds on one core, so that other work on the machine
disturbs little; recording is timed by the clock on the wall, since the disk takes part.
"""

import argparse
import os
import sys
from pathlib import Path

os.environ.update(dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1"))
sys.path.insert(0, str(Path(__file__).parent))

from bench_door import Load, run_door
from bench_engine import run_certainty, run_engine, run_zones
from bench_file import run_file
from bench_scale import run_scale
from bench_timing import machine, use_all_cores, use_one_core

PARTS = ("engine", "certainty", "zones", "door", "file")


PROCESSES = ("door", "scale")
"""Parts that start servers and clients."""


def main() -> None:
    if sys.argv[1:2] == ["soak"]:
        import soak

        sys.exit(soak.main(sys.argv[2:]))
    if sys.argv[1:2] == ["faults"]:
        import fault_rounds

        sys.exit(fault_rounds.main(sys.argv[2:]))
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument(
        "parts", nargs="*", choices=[*PARTS, "scale", []], help="which to run; all but scale without"
    )
    parser.add_argument("--tiny", action="store_true", help="sizes that only show that the harness runs")
    parser.add_argument("--runs", type=int, default=3, help="measured runs of each, after one to warm up")
    parser.add_argument(
        "--rows", type=int, default=50_000_000, help="scale: stored samples of the large record"
    )
    given = parser.parse_args()
    tiny = given.tiny
    sys.stdout.write(f"{machine()}\n")
    runs = {
        "engine": lambda: run_engine(*((5, 40, 4) if tiny else (1000, 1000, 300)), runs=given.runs),
        "certainty": lambda: run_certainty(*((100, 3) if tiny else (20_000, 200)), runs=given.runs),
        "zones": lambda: run_zones(*((1000, 10) if tiny else (1_000_000, 2000)), runs=given.runs),
        "door": lambda: run_door(*_door(tiny), runs=given.runs),
        "scale": lambda: run_scale(given.rows, given.runs, seconds=1 if tiny else 15),
        "file": lambda: run_file(*((2, 5) if tiny else (2_000, 50))),
    }
    for part in given.parts or PARTS:
        sys.stdout.write(f"{part}, {use_all_cores() if part in PROCESSES else use_one_core()}\n\n")
        for text in runs[part]():
            sys.stdout.write(f"{text}\n\n")
            sys.stdout.flush()


def _door(tiny: bool) -> tuple[list[tuple[str, Load]]]:
    """One post at a time on SQLite, a thousand at a time on PostgreSQL."""
    seconds = 1.0 if tiny else 10.0
    days = 3 if tiny else 300
    return (
        [
            ("sqlite", Load("single posts", 16, 1, 240, seconds, days)),
            ("postgresql", Load("batches", 4, 1000, 60, seconds, days)),
        ],
    )


if __name__ == "__main__":
    main()
