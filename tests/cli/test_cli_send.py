"""The words of `ullage send`: what contradicts itself is exit code 2, what cannot be done is 1."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from app.cli.main import app
from app.sender.spool import Spool

Run = Callable[..., Any]


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """Runs the command with a spool and a file of one sample; the words are added."""
    (tmp_path / "one.jsonl").write_text('{"taken_at": "2026-03-01T00:00:00Z", "h2": 1}\n')

    def invoke(*words: str) -> Any:
        filled = [word.format(file=tmp_path / "one.jsonl", folder=tmp_path) for word in words]
        # port 1 is tcpmux's: nobody listens there
        where = [] if "--url" in words else ["--url", "http://127.0.0.1:1"]
        return CliRunner().invoke(app, ["send", "--spool", str(tmp_path / "spool"), *where, *filled])

    return invoke


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--key", "k"], "give either FILE or --stdin"),
        (["{file}", "--stdin", "--key", "k"], "give either FILE or --stdin"),
        (["--stdin", "--follow", "--key", "k"], "--follow needs FILE"),
        (["{folder}/nothing", "--key", "k"], "is no file"),
        (["{folder}", "--key", "k"], "is no file"),
        (["{file}"], "give either --key-file or --key"),
        (["{file}", "--key", "k", "--key-file", "{file}"], "give either --key-file or --key"),
        (["{file}", "--key", "k", "--url", "ftp://host"], "is no address"),
        (["{file}", "--key", "k", "--url", "http://"], "is no address"),
        (["{file}", "--key", "k", "--url", "http://host:port"], "is no address"),
        (["{file}", "--key", "k", "--url", "http://host/?a=1"], "leave out what follows"),
        (["{file}", "--key", "k", "--batch", "0"], "--batch"),
        (["{file}", "--key", "k", "--max-spool-mb", "0"], "--max-spool-mb"),
        (["{file}", "--key", "k", "--give-up-after", "nan"], "--give-up-after"),
    ],
)
def test_words_that_contradict_one_another_are_refused_before_anything_is_touched(
    run: Run, tmp_path: Path, words: list[str], told: str
) -> None:
    refused = run(*words)
    assert refused.exit_code == 2
    plain = " ".join(refused.stderr.replace("│", " ").split())
    assert told in plain
    assert not (tmp_path / "spool").exists()


def test_giving_up_is_exit_code_1_and_the_spool_keeps_the_sample(run: Run, tmp_path: Path) -> None:
    refused = run("{file}", "--key", "k", "--give-up-after", "0")
    assert refused.exit_code == 1
    assert "gave up: cannot reach http://127.0.0.1:1: " in refused.stderr
    assert refused.stdout == ""
    with Spool(tmp_path / "spool") as spool:
        assert spool.waiting == 1


def test_a_spool_in_use_is_told(run: Run, tmp_path: Path) -> None:
    with Spool(tmp_path / "spool"):
        refused = run("{file}", "--key", "k")
    assert refused.exit_code == 1
    assert "another process uses the spool" in refused.stderr


def test_a_key_file_that_is_missing_is_told_and_keeps_the_sample(run: Run, tmp_path: Path) -> None:
    refused = run("{file}", "--key-file", "{folder}/no-key", "--give-up-after", "0")
    assert refused.exit_code == 1
    assert "the key cannot be read: [Errno 2]" in refused.stderr
    with Spool(tmp_path / "spool") as spool:
        assert spool.waiting == 1


def test_every_option_stands_in_the_help() -> None:
    manual = (Path(__file__).parents[2] / "app/help/gateway.md").read_text(encoding="utf-8")
    options = {
        "--stdin",
        "--follow",
        "--key-file",
        "--spool",
        "--max-spool-mb",
        "--when-full",
        "--give-up-after",
    }
    options |= {"--longest-wait", "--batch", "--tell-accepted"}
    assert {option for option in options if option not in manual} == set()
