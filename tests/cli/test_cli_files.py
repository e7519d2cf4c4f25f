"""`ullage import` and `ullage export`: what they print, and the exit codes 0 done, 1 refused, 2 wrong words."""

import csv
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from command_cast import HEADER, ROW, Run

from app.cli import bars


def test_a_preview_stores_nothing_and_an_import_does(loaded: Run, march: Path) -> None:
    looked = loaded("import", march, "--laboratory", "LAB", "--preview")
    assert (looked.exit_code, looked.stderr) == (0, "")
    assert looked.stdout.splitlines()[0] == "march.csv: 1 new (a preview: nothing is stored)"
    assert "W-T2, main: no status -> status 1" in looked.stdout
    first, second = (loaded("import", march, "--laboratory", "LAB") for _ in range(2))
    assert (first.exit_code, second.exit_code) == (0, 0)
    assert first.stdout.startswith("march.csv: 1 new\n")
    assert second.stdout == "march.csv: 1 already known\n"


def test_several_files_are_each_whole_or_nothing(loaded: Run, march: Path, tmp_path: Path) -> None:
    bad = tmp_path / "april.csv"
    bad.write_text(HEADER + ROW.replace("W-T2;007", "W-T9;"), encoding="utf-8")
    done = loaded("import", bad, march, "--laboratory", "LAB")
    assert done.exit_code == 1
    assert "line 2, column 'Plant no.': no unit 'W-T9' is registered; was 'W-T2' meant?" in done.stdout
    assert "march.csv: 1 new" in done.stdout
    assert done.stderr == "nothing was stored of april.csv: mend the lines named above and import again\n"


def test_a_unit_can_be_named_for_one_import(loaded: Run, march: Path) -> None:
    march.write_text(HEADER + ROW.replace("W-T2;007", "TANK=9;"), encoding="utf-8")
    assert loaded("import", march, "--laboratory", "LAB").exit_code == 1
    done = loaded("import", march, "--laboratory", "LAB", "--unit", "TANK=9=W-T2")
    assert (done.exit_code, done.stdout.splitlines()[0]) == (0, "march.csv: 1 new")


@pytest.mark.parametrize(
    "words",
    [
        (),
        ("--watch", "FOLDER", "FILE"),
        ("FILE", "--unit", "no-equals-sign"),
        ("no-such-file.csv",),
    ],
)
def test_wrong_words_are_told_as_such(
    loaded: Run, march: Path, tmp_path: Path, words: tuple[str, ...]
) -> None:
    given = [str({"FOLDER": tmp_path, "FILE": march}.get(word, word)) for word in words]
    assert loaded("import", *given, "--laboratory", "LAB").exit_code == 2


def test_a_profile_that_is_not_there_is_refused_by_name(loaded: Run, march: Path) -> None:
    refused = loaded("import", march, "--laboratory", "LAB", "--profile", "nobody")
    assert refused.exit_code == 1
    assert "no laboratory profile 'nobody'; known are hollowell, marrowby" in refused.stderr


def test_a_file_of_200_mb_is_refused_before_it_is_read(loaded: Run, tmp_path: Path) -> None:
    large = tmp_path / "large.csv"
    with large.open("wb") as file:
        file.truncate(200 * 1024**2)  # takes no room on the disk
    begun = time.monotonic()
    refused = loaded("import", large, "--laboratory", "LAB")
    assert refused.exit_code == 1
    assert "209715200 bytes; at most 20971520 are taken, see ULLAGE_MAX_UPLOAD_BYTES" in refused.stdout
    assert time.monotonic() - begun < 5


def test_an_export_can_be_imported_again_and_changes_nothing(
    loaded: Run, march: Path, tmp_path: Path
) -> None:
    loaded("import", march, "--laboratory", "LAB")
    out = tmp_path / "out.csv"
    done = loaded("export", "samples", "--site", "W", "-o", out)
    assert (done.exit_code, done.stdout) == (0, f"{out}: 1 samples\n")
    again = loaded("import", out, "--laboratory", "LAB", "--profile", "ullage")
    assert (again.exit_code, again.stdout) == (0, "out.csv: 1 already known\n")
    assert not list(tmp_path.glob("*.part"))


def test_an_export_goes_to_standard_output_or_a_workbook(loaded: Run, march: Path, tmp_path: Path) -> None:
    loaded("import", march, "--laboratory", "LAB")
    told = loaded("export", "assessments", "--asset", "W-T2")
    (row,) = csv.DictReader(told.stdout.removeprefix("\ufeff").splitlines())
    assert (row["asset"], row["status"]) == ("W-T2", "1")
    book = tmp_path / "out.xlsx"
    assert loaded("export", "alerts", "--format", "xlsx", "-o", book).exit_code == 0
    assert book.read_bytes().startswith(b"PK")
    assert loaded("export", "samples", "--format", "xlsx").exit_code == 2
    assert loaded("export", "samples", "--format", "parquet").exit_code == 2
    assert loaded("export", "samples", "--asset", "W-T2", "--site", "W").exit_code == 2


def test_an_export_as_parquet_or_a_word_how_to_get_it(
    loaded: Run, march: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    loaded("import", march, "--laboratory", "LAB")
    out = tmp_path / "samples.parquet"
    assert loaded("export", "samples", "--format", "parquet", "-o", out).stdout == f"{out}: 1 samples\n"
    (row,) = pd.read_parquet(out).to_dict("records")
    assert (row["asset"], row["c2h2"], row["c2h2_below"]) == ("W-T2", 0.5, True)
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    refused = loaded("export", "samples", "--format", "parquet", "-o", tmp_path / "again.parquet")
    assert refused.exit_code == 1
    assert "pip install 'ullage[parquet]'" in refused.stderr
    assert sorted(p.name for p in tmp_path.glob("*parquet*")) == ["samples.parquet"]


def test_a_reading_is_traced_to_its_place_in_the_file(loaded: Run, march: Path) -> None:
    loaded("import", march, "--laboratory", "LAB", "--author", "R. Quist")
    told = loaded("trace", 1)
    assert (told.exit_code, told.stderr) == (0, "")
    first, *places = told.stdout.splitlines()
    assert first == "march.csv, read by the profile quillfen, imported by R. Quist"
    assert "h2: line 2, column 'Hydrogen (ppm)': '12'" in places
    assert "c2h2: line 2, column 'Acetylene (ppm)': '<0,5'" in places
    found = json.loads(loaded("trace", 1, "--json").stdout)
    assert found["places"]["h2"] == {"line": 2, "column": "Hydrogen (ppm)", "cell": None, "text": "12"}
    assert found["unit_said_to_be"] is None
    missing = loaded("trace", 99)
    assert (missing.exit_code, missing.stderr) == (
        1,
        "sample 99 came with no file, or there is no such sample\n",
    )


def test_an_export_of_nothing_that_is_registered_leaves_no_file(loaded: Run, tmp_path: Path) -> None:
    out = tmp_path / "out.csv"
    refused = loaded("export", "samples", "--asset", "W-T9", "-o", out)
    assert (refused.exit_code, refused.stderr) == (1, "no asset has the code 'W-T9'\n")
    assert list(tmp_path.glob("out.csv*")) == []
    unwritable = loaded("export", "samples", "-o", tmp_path / "no" / "out.csv")
    assert unwritable.exit_code == 1
    assert "cannot write" in unwritable.stderr


def test_a_terminal_gets_a_bar_for_each_stage(monkeypatch: pytest.MonkeyPatch, capsys: Any) -> None:
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    with bars.stages_bar() as tell:
        assert tell is not None
        tell("reading", 1, 2)
        tell("judging", 2, 2)
    shown = capsys.readouterr().err
    assert "reading" in shown
    assert "judging" in shown


@pytest.mark.usefixtures("loaded")
def test_a_watched_folder_is_imported_until_the_process_is_told_to_end(march: Path, tmp_path: Path) -> None:
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    march.rename(inbox / "march.csv")
    words = ["import", "--watch", str(inbox), "--laboratory", "LAB", "--every", "0.1"]
    process = subprocess.Popen(
        [sys.executable, "-c", "from app.cli.main import main; main()", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    try:
        deadline = time.monotonic() + 30
        while not (inbox / "done" / "march.csv").exists() and time.monotonic() < deadline:
            time.sleep(0.05)
        process.send_signal(signal.SIGTERM)
        out, err = process.communicate(timeout=20)
    finally:
        process.kill()
        process.wait()
    assert (process.returncode, err) == (0, "")
    assert "march.csv: 1 new" in out
    assert (inbox / "done" / "march.csv").exists()
    assert out.count("march.csv: done") == 1
