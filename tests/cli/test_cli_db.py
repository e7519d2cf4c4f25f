"""`ullage db`: what the commands about the database itself say and do."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from command_cast import Run
from typer.testing import CliRunner

from app.cli.main import app
from app.domain.model import Reading, Sample
from app.services.recording.record_samples import BatchTerms, record_samples
from app.store.database import Database


@pytest.fixture
def run(fleet_database: Database, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Runs a command on a database that holds the small fleet."""
    monkeypatch.setenv("ULLAGE_DATABASE_URL", fleet_database.url.render_as_string(hide_password=False))
    return lambda *words: CliRunner().invoke(app, [str(word) for word in words])


def record(database: Database, source: str, at: datetime) -> None:
    sample = Sample("W-T1", "main", source, at, {"h2": Reading("h2", value=20.0)}, origin={})
    (outcome,) = record_samples(database, source, [sample], datetime.now(UTC), BatchTerms("http://x"))
    assert outcome.result == "stored"


def test_retention_does_nothing_unless_it_is_set(run: Run) -> None:
    done = run("db", "retention")
    assert (done.exit_code, done.stderr) == (0, "")
    assert "all on-line readings are kept" in done.stdout


def test_retention_tells_before_it_takes(run: Run, fleet_database: Database) -> None:
    record(fleet_database, "W-T1-M", datetime(2024, 5, 4, tzinfo=UTC))
    record(fleet_database, "W-T1-M", datetime(2026, 11, 4, tzinfo=UTC))
    record(fleet_database, "LAB", datetime(2024, 5, 4, tzinfo=UTC))
    told = [run("db", "retention", "--months", 6, *more).stdout for more in (["--dry-run"], [], [])]
    words = [text.partition("\n")[0] for text in told]
    assert words[0].startswith("1 on-line readings taken before ")
    assert words[0].endswith(" UTC would go")
    assert words[1] == words[0].replace("would go", "have gone")
    assert words[2].startswith("0 ")
    if not fleet_database.is_sqlite:
        assert "month 2024-05" in told[0]
    with fleet_database.read() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM samples").scalar() == 2


def test_retention_has_its_bounds(run: Run) -> None:
    assert run("db", "retention", "--months", -1).exit_code == 2


def test_the_fleet_is_at_hand(run: Run) -> None:
    assert run("db", "upgrade").stdout == "the database is at revision 0001\n"


def test_check_says_what_is_wrong_and_how_to_mend_it(run: Run, fleet_database: Database) -> None:
    record(fleet_database, "W-T1-M", datetime(2026, 11, 4, tzinfo=UTC))
    record(fleet_database, "LAB", datetime(2024, 5, 4, tzinfo=UTC))
    if not fleet_database.is_sqlite:
        assert run("db", "check").exit_code == 1  # the months ahead, which the worker would have made
    assert run("db", "check", "--mend").exit_code == 0
    with fleet_database.write() as connection:
        connection.exec_driver_sql("UPDATE daily_summaries SET count = 7")
        connection.exec_driver_sql("UPDATE samples SET rule_set = NULL WHERE online")
    done = run("db", "check")
    assert done.exit_code == 1
    assert (
        "WRONG, 1: daily summaries are not what the readings say (e.g. 2026-11-04 of instrument"
        in done.stderr
    )
    assert "to mend it: run `ullage reassess`" in done.stderr
    told = run("db", "check", "--json")
    assert (told.exit_code, told.stderr) == (1, "")
    wrong = json.loads(told.stdout)["wrong"]
    assert [(one["count"], one["mend"]) for one in wrong if "daily summaries" in one["what"]] == [
        (1, "run `ullage db check --mend`, with --full to look at all of them")
    ]
    assert run("reassess").exit_code == 0
    mended = run("db", "check", "--mend")
    assert (mended.exit_code, mended.stderr) == (0, "")
    assert mended.stdout.endswith("all is well\n")


def test_backup_restore_and_copy(
    run: Run, fleet_database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record(fleet_database, "W-T1-M", datetime(2026, 11, 4, tzinfo=UTC))
    own = fleet_database.url.render_as_string(hide_password=False)
    made = run("backup", tmp_path / "b")
    assert (made.exit_code, made.stderr) == (0, "")
    assert run("backup", tmp_path / "b").exit_code == 1
    assert "is not empty" in run("restore", tmp_path / "b").stderr
    assert "both are the same database" in run("db", "copy", "--from", own, "--to", own).stderr
    copied = run("db", "copy", "--from", own, "--to", f"sqlite:///{tmp_path / 'copy.db'}")
    assert (copied.exit_code, copied.stderr) == (0, "")
    assert "samples: 1\n" in copied.stdout
    monkeypatch.setenv("ULLAGE_DATABASE_URL", f"sqlite:///{tmp_path / 'copy.db'}")
    assert run("db", "check").exit_code == 0
    if fleet_database.is_sqlite:
        monkeypatch.setenv("ULLAGE_DATABASE_URL", f"sqlite:///{tmp_path / 'restored.db'}")
        assert run("restore", tmp_path / "b").exit_code == 0
        assert run("db", "check").exit_code == 0
