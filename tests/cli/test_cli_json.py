"""What programs read: one JSON document on standard output, the reason of a failure on standard error."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from command_cast import Run
from fleet_cast import FLEET

from app.services.health.heartbeat import beat
from app.store.database import Database

OF = ("--instrument", "W-T1-M")


def told(done: Any, code: int = 0) -> Any:
    """The document that a command printed."""
    assert done.exit_code == code, done.output
    return json.loads(done.stdout)


def test_of_the_fleet(run: Run) -> None:
    first, second = told(run("fleet", "load", FLEET, "--json")), told(run("fleet", "load", FLEET, "--json"))
    assert first["counts"]["assets"] == {"created": 3}
    assert second["counts"]["assets"] == {"unchanged": 3}
    assert second["judged_again"] == {"samples": 0, "changed": 0, "alerts": 0}
    assert second["not_named"] == {}


def test_of_keys(loaded: Run) -> None:
    issued = told(loaded("key", "issue", *OF, "--label", "gateway", "--expires", "2099-01-01", "--json"))
    assert issued["key"].startswith("ull_")
    assert issued["expires_at"] == "2099-01-01T00:00:00Z"
    rotated = loaded("key", "rotate", *OF, "--overlap-hours", 24, "--json")
    prefix = issued["key"].split("_")[1]
    assert json.loads(rotated.stdout)["ending"] == [prefix]
    (first, second) = told(loaded("key", "list", *OF, "--json"))
    assert (first["prefix"], first["label"], first["state"], first["instrument"]) == (
        prefix,
        "gateway",
        "good",
        "W-T1-M",
    )
    assert second["expires_at"] is None
    assert told(loaded("key", "revoke", prefix, "--json"))["state"] == "revoked"
    assert told(loaded("key", "list", "--registrar", "--json")) == []


def test_of_maintenance(loaded: Run) -> None:
    words = ("instrument", "maintenance")
    begun = told(
        loaded(*words, "begin", "W-T1-M", "--note", "gas", "--begins", "2026-01-02T03:04:05+01:00", "--json")
    )
    assert begun == {
        "begins_at": "2026-01-02T02:04:05Z",
        "ends_at": None,
        "author": "command line",
        "note": "gas",
    }
    ended = told(loaded(*words, "end", "W-T1-M", "--json"))
    assert ended["ends_at"] is not None
    assert told(loaded(*words, "list", "W-T1-M", "--json")) == [ended]


def test_of_marchs(loaded: Run, march: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text("no laboratory file\n")
    (looked,) = told(loaded("import", march, "--laboratory", "LAB", "--preview", "--json"))
    assert (looked["stored"], looked["rows"]["new"]) == (False, 1)
    done = loaded("import", march, bad, "--laboratory", "LAB", "--json")
    first, second = told(done, 1)
    assert (first["file"], first["stored"], first["problems"]) == (march.name, True, [])
    assert first["units"] == [
        {
            "asset": "W-T2",
            "compartment": "main",
            "rows": 1,
            "status_before": None,
            "status_after": 1,
            "alerts": [],
        }
    ]
    assert (second["file"], second["stored"]) == ("bad.csv", False)
    assert set(second["problems"][0]) == {"line", "column", "field", "reason"}
    assert done.stderr == "nothing was stored of bad.csv: mend the lines named above and import again\n"
    assert told(loaded("reassess", "--json")) == {"judged": 1, "changed": 0}


def test_of_the_database(loaded: Run, tmp_path: Path) -> None:
    assert told(loaded("db", "upgrade", "--json")) == {"revision": "0001"}
    kept = told(loaded("db", "retention", "--json"))
    assert kept == {"before": None, "readings": 0, "months": [], "dry_run": False}
    would = told(loaded("db", "retention", "--months", 6, "--dry-run", "--json"))
    assert (would["readings"], would["dry_run"], would["before"].endswith("-01T00:00:00Z")) == (0, True, True)
    well = told(loaded("db", "check", "--json"))
    assert (well["well"], well["wrong"], well["mended"]) == (True, [], None)
    made = told(loaded("backup", tmp_path / "b", "--json"))
    assert (made["kind"], made["rows"]["assets"], made["bytes"]) == (
        "sqlite",
        3,
        (tmp_path / "b").stat().st_size,
    )
    other = ("--database", f"sqlite:///{tmp_path}/other.db")
    assert told(loaded("restore", tmp_path / "b", *other, "--json"))["rows"] == made["rows"]
    own, copy = (f"sqlite:///{tmp_path}/{name}.db" for name in ("ullage", "copy"))
    assert told(loaded("db", "copy", "--from", own, "--to", copy, "--json"))["rows"]["assets"] == 3


# --- ullage health -------------------------------------------------------------------------------------------


def test_of_health(run: Run, fleet_database: Database) -> None:
    url = ("--database", fleet_database.url.render_as_string(hide_password=False))
    without = told(run("health", *url, "--json"), 1)
    assert {part: one["well"] for part, one in without.items()} == {
        "database": True,
        "schema": True,
        "worker": False,
        "mail": True,
    }
    assert without["worker"]["says"] == "no worker has run yet"
    assert run("health", *url, "--only", "database", "--only", "schema").exit_code == 0
    beat(fleet_database, "w", datetime.now(UTC))
    well = run("health", *url)
    assert well.exit_code == 0
    assert [line.split(",")[0] for line in well.stdout.splitlines()] == [
        "database: well",
        "schema: well",
        "worker: well",
        "mail: well",
    ]
    beat(fleet_database, "w", datetime.now(UTC) - timedelta(seconds=90))
    assert "start the worker" in run("health", *url, "--only", "worker").stdout


def test_of_the_health_of_what_is_not_there(run: Run, tmp_path: Path) -> None:
    """Looking makes no file."""
    missing = told(run("health", "--json"), 1)
    assert missing["database"]["says"] == f"there is no database file {tmp_path}/ullage.db"
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "ullage.db").touch()
    empty = told(run("health", "--json"), 1)
    assert [one["well"] for one in empty.values()] == [True, False, False, False]
    assert empty["schema"]["says"] == "there is none: run `ullage db upgrade`"
