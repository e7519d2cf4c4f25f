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

from bench_engine import run_certainty, run_engine, run_zones
from bench_file import run_file
from bench_record import run_record
from bench_timing import machine, use_one_core

PARTS = ("engine", "certainty", "zones", "record", "file")


def main() -> None:
    if sys.argv[1:2] == ["soak"]:
        import soak

        sys.exit(soak.main(sys.argv[2:]))
    if sys.argv[1:2] == ["faults"]:
        import fault_rounds

        sys.exit(fault_rounds.main(sys.argv[2:]))
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("parts", nargs="*", choices=[*PARTS, []], help="which to run; all without")
    parser.add_argument("--tiny", action="store_true", help="sizes that only show that the harness runs")
    parser.add_argument("--runs", type=int, default=3, help="measured runs of each, after one to warm up")
    given = parser.parse_args()
    tiny = given.tiny
    sys.stdout.write(f"{machine()}\n{use_one_core()}\n\n")
    runs = {
        "engine": lambda: run_engine(*((5, 40, 4) if tiny else (1000, 1000, 300)), runs=given.runs),
        "certainty": lambda: run_certainty(*((100, 3) if tiny else (20_000, 200)), runs=given.runs),
        "zones": lambda: run_zones(*((1000, 10) if tiny else (1_000_000, 2000)), runs=given.runs),
        "record": lambda: run_record(*((3, 5) if tiny else (300, 1000)), runs=given.runs),
        "file": lambda: run_file(*((2, 5) if tiny else (2_000, 50))),
    }
    for part in given.parts or PARTS:
        for text in runs[part]():
            sys.stdout.write(f"{text}\n\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
