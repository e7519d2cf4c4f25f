"""The help names what there is: its made pages equal the code, and every command it shows can be called so."""

import re
from typing import Any, get_args

import pytest
from fleet_cast import PROJECT
from help_reference import FOLDER, PAGES, commands

from app.config import FILE_VARIABLE, PREFIX, Settings
from app.intake.registering.things import CompartmentBody, FleetEntries, keys_of

COMMANDS: dict[str, Any] = dict(commands())
TEXTS = {
    path.name: path.read_text(encoding="utf-8") for path in (*FOLDER.glob("*.md"), PROJECT / "README.md")
}
CODE = re.compile(r"^```[a-z]*\n(.*?)^```|`([^`\n]+)`", re.MULTILINE | re.DOTALL)
CALL = re.compile(r"(?:^|[ /|])ullage ([a-z]+(?: [a-z]+)*)([^#|&\n]*)", re.MULTILINE)


def _calls(text: str) -> list[tuple[str, list[str]]]:
    """(command, options) of every call of the program in a text's code."""
    found = []
    for block, word in CODE.findall(text):
        for words, rest in CALL.findall(block or word):
            path = ["ullage", *words.split()]
            while path and " ".join(path) not in COMMANDS:
                path.pop()
            found.append((" ".join(path) or f"ullage {words}", re.findall(r"(?<![\w-])--?[a-z][\w-]*", rest)))
    return found


@pytest.mark.parametrize("name", sorted(PAGES))
def test_a_made_page_is_as_the_code_makes_it(name: str) -> None:
    assert TEXTS[name] == PAGES[name](), "run `make help-pages` and commit what it writes"


@pytest.mark.parametrize("name", sorted(Settings.model_fields))
def test_every_setting_is_described(name: str) -> None:
    assert Settings.model_fields[name].description
    assert f"| `{PREFIX}{name.upper()}` |" in TEXTS["settings.md"]


def test_every_key_of_a_fleet_file_is_shown() -> None:
    sections = [get_args(field.annotation)[0] for field in FleetEntries.model_fields.values()]
    keys = {key for kind in (FleetEntries, *sections, CompartmentBody) for key in keys_of(kind)}
    shown = set(re.findall(r"([a-z_]+):", "".join(block for block, _ in CODE.findall(TEXTS["fleet.md"]))))
    assert keys - shown == set()


@pytest.mark.parametrize("path", sorted(COMMANDS))
def test_every_command_and_option_is_described(path: str) -> None:
    command = COMMANDS[path]
    assert command.help
    assert [p.name for p in command.params if p.param_type_name == "option" and not p.help] == []
    assert f"## {path}\n" in TEXTS["commands.md"]


@pytest.mark.parametrize("name", sorted(TEXTS))
def test_every_command_that_is_shown_can_be_called_so(name: str) -> None:
    for path, options in _calls(TEXTS[name]):
        assert path in COMMANDS, f"{name} shows `{path}`, which is no command"
        known = {option for param in COMMANDS[path].params for option in param.opts} | {"--help"}
        assert set(options) <= known, f"{name} shows `{path}` with {sorted(set(options) - known)}"


def test_calls_are_found_in_blocks_and_within_lines() -> None:
    block = ".venv/bin/ullage key issue --instrument A  # --not\nx | ullage send --stdin"
    text = f"Say `ullage db check --full`.\n\n```\n{block}\n```\n"
    assert _calls(text) == [
        ("ullage db check", ["--full"]),
        ("ullage key issue", ["--instrument"]),
        ("ullage send", ["--stdin"]),
    ]
    assert _calls("`ullage nothing --x`") == [("ullage nothing", ["--x"])]


@pytest.mark.parametrize("name", sorted(TEXTS))
def test_every_setting_that_is_named_is_one(name: str) -> None:
    named = set(re.findall(r"\bULLAGE_[A-Z_]*[A-Z]\b", TEXTS[name])) - {
        "ULLAGE_SILENCE",
        "ULLAGE_SMTP",
        FILE_VARIABLE,
    }
    assert {one for one in named if one.removeprefix(PREFIX).lower() not in Settings.model_fields} == set()
