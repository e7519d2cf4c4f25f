"""The benchmarks run and print what they promise. Nothing here is timed."""

import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
TITLES = (
    "full assessment of 200 laboratory samples",
    "full assessment of 200 on-line readings",
    "certainty, 200 draws a sample",
    "triangle 1, 1,000 compositions",
    "pentagon 1, 1,000 compositions",
    "recording on SQLite, single posts",
    "recording on SQLite, batches of 5",
    "a laboratory's file of 10 rows, 2 units, 0.0 MB: preview",
)


def test_the_harness_runs_on_tiny_sizes_and_sets_everything_beside_a_baseline() -> None:
    done = subprocess.run(
        [sys.executable, "-W", "error", "-m", "tests.benchmarks", "--tiny", "--runs", "2"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "Python 3." in done.stdout
    for title in TITLES:
        block = done.stdout.partition(title)[2].partition("\n\n")[0].splitlines()
        assert len(block) >= 4, title
        assert all(
            re.search(r"[\d,]+ /s median +[\d,]+ /s best .*[12] runs\)$", line) for line in block[1:3]
        ), block
        ratio = re.fullmatch(r"  ratio ([\d.e+-]+)", block[3])
        assert ratio is not None, block
        assert float(ratio[1]) > 0
