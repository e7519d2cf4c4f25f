"""The benchmarks run and print what they promise. Nothing here is timed."""

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
from fleet_cast import PROJECT

TITLES = (
    "full assessment of 200 laboratory samples",
    "full assessment of 200 on-line readings",
    "certainty, 200 draws a sample",
    "triangle 1, 1,000 compositions",
    "pentagon 1, 1,000 compositions",
    "a laboratory's file of 10 rows, 2 units, 0.0 MB: preview",
)


def test_the_harness_runs_on_tiny_sizes_and_sets_everything_beside_a_baseline() -> None:
    done = subprocess.run(
        [sys.executable, "-W", "error", "-m", "tests.benchmarks", "--tiny", "--runs", "2"],
        cwd=PROJECT,
        capture_output=True,
        text=True,
        timeout=300,
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
    for title in ("single posts on sqlite", "batches on postgresql"):
        block = done.stdout.partition(title)[2].partition("\n\n")[0].splitlines()
        for name, line in zip(("bare", "Ullage"), block[1:3], strict=True):
            told = re.search(
                rf"^  {name} +(\d+) samples/s .* p99 [\d.]+, .*; answers 200: (\d+), stored: (\d+)$", line
            )
            assert told is not None, line
            assert int(told[3]) == int(told[2]) * (1000 if "batches" in title else 1), (
                "every sample was stored"
            )
        assert re.match(r"  ratio [\d.]+ \(rounds: [\d., ]+\)$", block[3])


@pytest.mark.parametrize("store", ["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])
def test_a_soak_of_some_seconds_passes_and_reports(store: str, tmp_path: Path) -> None:
    words = ["--minutes", "0.1", "--units", "5", "--rate", "20", "--history-days", "3"]
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "tests.benchmarks",
            "soak",
            *words,
            "--database",
            store,
            "--out",
            str(tmp_path),
        ],
        cwd=PROJECT,
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    report = json.loads((tmp_path / "soak.json").read_text())
    assert report["record"]["answered_stored"] == report["posts"]["outcomes"]["stored"] > 0
    assert report["record"]["rows_in_all"] == 5 * 12 + sum(
        report["posts"]["outcomes"].get(result, 0) for result in ("stored", "revised")
    )
    assert report["pages"]["outcomes"] == {"200": report["pages"]["sent"]}
    assert len(report["server"]["sights"]) >= 2
    assert (tmp_path / "soak.txt").read_text() in done.stdout
