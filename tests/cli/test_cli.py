"""The `ullage` command: what each command does, refuses and exits with. 0 done, 1 refused, 2 wrong words."""

import json
import re
from pathlib import Path

import pytest
from command_cast import Run
from fleet_cast import FLEET


def test_an_unknown_setting_is_named(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ULLAGE_DATABSE_URL", "sqlite:///x.db")
    refused = run("db", "upgrade")
    assert refused.exit_code == 1
    assert "ULLAGE_DATABSE_URL" in refused.stderr


def test_upgrading_says_where_the_database_is_and_can_be_repeated(run: Run) -> None:
    first, second = run("db", "upgrade"), run("db", "upgrade")
    assert (first.exit_code, second.exit_code) == (0, 0)
    assert re.search(r"at revision \w+", first.stdout)
    assert first.stdout == second.stdout


def test_a_fleet_is_loaded_and_loading_it_again_changes_nothing(run: Run) -> None:
    first, second = run("fleet", "load", FLEET), run("fleet", "load", FLEET)
    assert (first.exit_code, second.exit_code) == (0, 0)
    assert "assets: 3 created" in first.stdout
    assert "assets: 3 unchanged" in second.stdout
    assert "created" not in second.stdout


def test_a_fleet_file_with_faults_is_refused_whole(run: Run, tmp_path: Path) -> None:
    bad = tmp_path / "bad.yaml"
    bad.write_text("sites:\n  - {code: W, name: West Weir, time_zone: Nowhere/Land}\n")
    refused = run("fleet", "load", bad)
    assert refused.exit_code == 1
    assert "time_zone" in refused.stderr
    assert "nothing was stored" in refused.stderr


def test_a_fleet_file_that_is_no_text_and_one_that_is_not_there(run: Run, tmp_path: Path) -> None:
    (tmp_path / "latin.yaml").write_bytes(b"sites: \xe9\xff")
    refused = run("fleet", "load", tmp_path / "latin.yaml")
    assert refused.exit_code == 1
    assert "UTF-8" in refused.stderr
    assert run("fleet", "load", tmp_path / "missing.yaml").exit_code == 2


def test_keys_are_issued_to_instruments_and_registrars(loaded: Run) -> None:
    for words in (("--instrument", "W-T1-M"), ("--registrar",)):
        done = loaded("key", "issue", *words)
        assert done.exit_code == 0
        assert re.fullmatch(r"ull_[0-9a-f]{8}_\S{43}\n", done.stdout)


@pytest.mark.parametrize("code", ["NOBODY", "LAB"])
def test_a_key_for_what_is_no_instrument_is_refused(loaded: Run, code: str) -> None:
    refused = loaded("key", "issue", "--instrument", code)
    assert refused.exit_code == 1
    assert code in refused.stderr
    assert "ullage fleet load" in refused.stderr


@pytest.mark.parametrize("words", [(), ("--registrar", "--instrument", "W-T1-M")])
def test_a_key_is_for_one_of_both(loaded: Run, words: tuple[str, ...]) -> None:
    assert loaded("key", "issue", *words).exit_code == 2


def test_a_test_mail_is_really_sent_and_marked(run: Run, tmp_path: Path) -> None:
    done = run("mail", "test", "--to", "planner@weirs.example")
    assert done.exit_code == 0, done.stderr
    (mail,) = (tmp_path / "mail").glob("*.eml")
    assert "TEST" in mail.read_text(encoding="utf-8")
    assert "planner@weirs.example" in done.stdout


def test_a_test_mail_that_cannot_leave_says_why(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    refused = run("mail", "test", "--to", "not an address")
    assert refused.exit_code == 1
    assert "not a mail address" in refused.stderr
    monkeypatch.setenv("ULLAGE_MAIL_TRANSPORT", "smtp")
    monkeypatch.setenv("ULLAGE_SMTP_HOST", "127.0.0.1")
    monkeypatch.setenv("ULLAGE_SMTP_PORT", "1")  # tcpmux: nobody listens there
    refused = run("mail", "test", "--to", "planner@weirs.example")
    assert refused.exit_code == 1
    assert "127.0.0.1:1" in refused.stderr


def test_a_csv_is_interpreted_without_a_database(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "gases.csv"
    file.write_text(
        "asset,taken_at,h2,ch4,c2h6,c2h4,c2h2,co,co2,o2,n2\n"
        "A,2026-01-01T00:00:00Z,10,5,4,3,<0.5,200,2000,900,50000\n"
        "B,2026-01-01T00:00:00Z,120,250,90,400,<0.5,200,2000,900,50000\n"
    )
    done = run("interpret", file, "--json")
    assert done.exit_code == 0, done.stderr
    results = [json.loads(line) for line in done.stdout.splitlines()]
    # 400 µL/L of ethylene is above the 95th percentile of every age: IEEE C57.104-2019, Table 2
    assert [(r["asset"], r["status"]) for r in results] == [("A", 1), ("B", 3)]
    words = run("interpret", file)
    assert words.stdout.splitlines()[1].startswith("B 2026-01-01")
    assert "status 3" in words.stdout
    assert not (tmp_path / "ullage.db").exists()


def test_a_line_tells_what_stands_out_beside_the_status(run: Run, tmp_path: Path) -> None:
    """A wet unit and an ester with arcing gas have no raised gas and no status: the line says so all the same."""
    file = tmp_path / "beside.csv"
    file.write_text(
        "asset,taken_at,liquid,rated_kv,h2,ch4,c2h6,c2h4,c2h2,co,co2,o2,n2,water,oil_temperature\n"
        "WET,2026-01-01T00:00:00Z,mineral_oil,220,10,5,4,3,<0.5,200,2000,900,50000,60,40\n"
        "EST,2026-01-01T00:00:00Z,natural_ester,220,900,100,100,500,2000,200,2000,900,50000,,\n"
    )
    done = run("interpret", file)
    assert done.exit_code == 0, done.stderr
    wet, ester = done.stdout.splitlines()
    assert ": status 1, course quiet, gravity 0" in wet
    assert "saturation" in wet
    assert ": no status" in ester
    assert "2000 µL/L is far above anything ordinary" in ester


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("asset,taken_at,h2\nA,2026-01-01T00:00:00Z,many\n", "h2: 'many' is not a number"),
        ("asset,h2\nA,1\n", "the column 'taken_at' is missing"),
    ],
)
def test_a_csv_with_faults_names_them(run: Run, tmp_path: Path, text: str, told: str) -> None:
    file = tmp_path / "bad.csv"
    file.write_text(text)
    refused = run("interpret", file)
    assert refused.exit_code == 1
    assert told in refused.stderr


def test_an_import_is_whole_or_nothing(loaded: Run, tmp_path: Path) -> None:
    file = tmp_path / "empty.csv"
    file.write_text("this is no laboratory file\n")
    refused = loaded("import", file, "--laboratory", "LAB")
    assert refused.exit_code == 1
    assert "nothing was stored" in refused.stderr


def test_judging_again_counts_what_it_did(loaded: Run) -> None:
    done = loaded("reassess")
    assert (done.exit_code, done.stdout) == (0, "0 samples judged, 0 assessments changed\n")


def test_the_simulator_refuses_a_story_it_does_not_know(run: Run) -> None:
    refused = run("simulate", "--key", "ull_x_y", "--story", "no-such-story")
    assert refused.exit_code == 1
    assert "developing-thermal" in refused.stderr, "it lists the stories"
