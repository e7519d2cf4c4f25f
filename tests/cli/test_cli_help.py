"""What the command says of itself, how soon, and that its options are the same everywhere."""

import os
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
import typer
from command_cast import Run
from fleet_cast import PROJECT

from app.cli.main import app


def test_help_answers_without_the_heavy_libraries() -> None:
    program = (
        "import sys\nfrom app.cli.main import main\nsys.argv = ['ullage', '--help']\n"
        "try:\n    main()\nexcept SystemExit as end:\n    assert not end.code\n"
        "heavy = {'pandas', 'numpy', 'scipy', 'sqlalchemy', 'fastapi', 'pydantic', 'plotly', 'httpx', 'structlog'}\n"
        "print('heavy:', sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stderr) == (0, "")
    assert "serve" in done.stdout
    assert done.stdout.endswith("heavy: []\n")


def commands(group: Any = None, path: str = "") -> dict[str, Any]:
    """Every command by the words that call it."""
    group = group or typer.main.get_command(app)
    found: dict[str, Any] = {}
    for name, one in group.commands.items():
        below = commands(one, f"{path}{name} ") if hasattr(one, "commands") else {f"{path}{name}": one}
        found |= below
    return found


WITHOUT_DATABASE = {"demo", "db copy", "interpret", "mail test", "send", "simulate"}
"""They need none, make their own, or name two."""
WITHOUT_JSON = {"demo", "explain", "export", "mail test", "send", "serve", "simulate", "worker"}
"""They go on until they are ended, or print what is no outcome: a file, a report, lines of progress."""


def names(command: Any) -> set[str]:
    return {name for param in command.params for name in param.opts}


@pytest.mark.parametrize(
    ("option", "without"),
    [
        ("--database", WITHOUT_DATABASE),
        ("--settings", WITHOUT_DATABASE - {"mail test"}),
        ("--json", WITHOUT_JSON),
    ],
)
def test_an_option_is_on_every_command_that_can_use_it(option: str, without: set[str]) -> None:
    assert {path for path, one in commands().items() if option not in names(one)} == without
    texts = {
        param.help
        for path, one in commands().items()
        for param in one.params
        if option in param.opts and path != "interpret"
    }
    assert len(texts) == 1, "it is described once"


def test_the_version_is_that_of_the_package(run: Run) -> None:
    version = tomllib.loads((PROJECT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
    told = run("--version")
    assert (told.exit_code, told.stdout) == (0, f"ullage {version}\n")


def test_exit_codes_are_told_and_no_words_are_wrong_words(run: Run) -> None:
    told = " ".join(run("--help").stdout.split())
    assert "0 done; 1 refused or failed" in told
    assert "2 called wrongly; 130 ended by Ctrl-C" in told
    assert run("--help").exit_code == 0
    assert run().exit_code == run("no-such-command").exit_code == run("serve", "--port", "no").exit_code == 2


def test_the_shell_completes_commands_and_options(tmp_path: Path) -> None:
    """As bash asks after `ullage db ` and `ullage db check --`, with the script that --show-completion prints."""
    command = [
        sys.executable,
        "-c",
        "import sys; sys.argv[0] = 'ullage'; from app.cli.main import main; main()",
    ]

    def complete(words: str, count: int) -> list[str]:
        asked = {"_ULLAGE_COMPLETE": "complete_bash", "COMP_WORDS": words, "COMP_CWORD": str(count)}
        done = subprocess.run(
            command, capture_output=True, text=True, timeout=60, env={**os.environ, **asked}
        )
        return done.stdout.split()

    assert {"check", "copy", "upgrade", "retention"} <= set(complete("ullage db ", 2))
    assert {"--full", "--mend", "--database"} <= set(complete("ullage db check --", 3))
    shell = {**os.environ, "SHELL": "/bin/bash", "HOME": str(tmp_path)}
    shown = subprocess.run(
        [*command, "--show-completion", "bash"], capture_output=True, text=True, timeout=60, env=shell
    )
    assert (shown.returncode, shown.stderr) == (0, "")
    assert "_ULLAGE_COMPLETE=complete_bash" in shown.stdout


# --- settings on the command line ---------------------------------------------------------------------------


def test_a_wrong_option_is_wrong_words_and_a_wrong_setting_is_a_refusal(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    wrong = run("db", "upgrade", "--database", "nowhere")
    assert wrong.exit_code == 2
    assert "--database: cannot be used" in " ".join(wrong.stderr.split())
    file = tmp_path / "wrong.toml"
    file.write_text("potr = 1\n")
    refused = run("db", "upgrade", "--settings", file)
    assert (refused.exit_code, refused.stderr) == (
        1,
        f"{file}, line 1, potr: there is no such setting; is port meant?\n",
    )
    missing = run("db", "upgrade", "--settings", tmp_path / "missing.toml")
    assert (missing.exit_code, "missing.toml cannot be read" in missing.stderr) == (1, True)
    monkeypatch.setenv("ULLAGE_SETTINGS_FILE", str(file))
    assert run("db", "upgrade").exit_code == 1
    assert run("interpret", "--help").exit_code == 0


def test_the_database_is_that_of_the_option_else_of_the_environment_else_of_the_file(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(f'database_url = "sqlite:///{tmp_path}/of_file.db"\n')

    def made(*words: object) -> set[str]:
        before = {path.name for path in tmp_path.glob("*.db")}
        assert run("db", "upgrade", *words).exit_code == 0
        return {path.name for path in tmp_path.glob("*.db")} - before

    assert made("--settings", file, "--database", f"sqlite:///{tmp_path}/of_option.db") == {"of_option.db"}
    assert made("--settings", file) == {"ullage.db"}
    monkeypatch.delenv("ULLAGE_DATABASE_URL")
    assert made("--settings", file) == {"of_file.db"}


def test_a_message_goes_the_way_that_the_settings_file_names(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("ULLAGE_MAIL_FOLDER")
    (tmp_path / "mine.toml").write_text(f'mail_folder = "{tmp_path}/other"\n')
    assert run("mail", "test", "--to", "a@b.example", "--settings", tmp_path / "mine.toml").exit_code == 0
    assert len(list((tmp_path / "other").glob("*.eml"))) == 1
