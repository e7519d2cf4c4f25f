"""What is made from the code in the help: every setting, every command, every condition that raises an alert.

``make help-pages`` writes them into app/help; a test compares what is committed with what the code says.
"""

from collections.abc import Iterable, Iterator, Sequence
from enum import Enum
from pathlib import Path
from types import UnionType
from typing import Any, Final, Literal, get_args, get_origin

import typer
from pydantic import SecretStr
from pydantic.fields import FieldInfo

from app.cli.common import EXIT_CODES, AsJson, DatabaseUrl, SettingsFile
from app.cli.main import app
from app.config import PREFIX, TEXT, Settings, values_of
from app.domain.alerting.condition import Condition
from app.domain.alerting.conditions.registry import CONDITIONS

FOLDER: Final = Path(__file__).parents[2] / "app" / "help"

SETTINGS_INTRO: Final = """# Settings

A setting is an environment variable, or a line of a settings file. The file is TOML; a setting is written there in
small letters and without `ULLAGE_`, texts in quotes, numbers, `true` and `false` without:

```
port = 8750
mail_transport = "smtp"
smtp_host = "mail.example"
allowed_hosts = ["gas.example", "10.0.0.5"]
```

A command reads the file that its `--settings` names, else the one that `ULLAGE_SETTINGS_FILE` names, else `ullage.toml`
in the folder it is called in. An empty `ULLAGE_SETTINGS_FILE` means none. Let only the user of the service read a file
that holds a password.

An option of a command goes before the environment, and the environment before the file. A name that begins with
`ULLAGE_`, or stands in the file, and is no setting is refused, and so is a value that cannot be used. The program then
says where it stands, what is wrong and what to give.
"""
GROUPS: Final = (
    ("Record", ("database_", "read_database_", "raw_", "keep_raw_")),
    ("Mail", ("mail_", "smtp_")),
    ("Worker", ("embedded_worker", "worker_")),
    ("Instruments", ("silence_", "instrument_", "agreement_")),
    ("Samples that come in", ("max_", "posts_", "clock_", "ancient_")),
)
"""Headings of the page of settings, and how the names below each begin; what is in none stands under "Server"."""
REST: Final = "Server"

COMMANDS_INTRO: Final = f"""# Commands

`ullage COMMAND --help` prints the same. `ullage --install-completion` teaches the shell to complete commands and
options with the tab key; `ullage --version` tells the version.

{EXIT_CODES}

Options that several commands have:

"""
COMMON: Final = ("--database", "--settings", "--json")
"""Options that are described once, before the commands."""


def settings_page() -> str:
    """The page of all settings as Markdown."""
    groups: dict[str, list[str]] = {REST: [], **{heading: [] for heading, _ in GROUPS}}
    for name in Settings.model_fields:
        found = (heading for heading, starts in GROUPS if name.startswith(starts))
        groups[next(found, REST)].append(name)
    parts = [SETTINGS_INTRO]
    for heading, names in groups.items():
        rows = (_setting_row(name, Settings.model_fields[name]) for name in names)
        parts.append(f"## {heading}\n\n{_table(('setting', 'default', 'meaning'), rows)}\n")
    return "\n".join(parts)


def _setting_row(name: str, field: FieldInfo) -> Sequence[str]:
    default = field.default
    if isinstance(default, SecretStr):
        default = default.get_secret_value()
    shown = "empty" if default in ("", ()) else _default(default)
    if field.default_factory is not None:
        shown = "of host and port"
    return f"`{PREFIX}{name.upper()}`", shown, _meaning(field)


def _default(value: object) -> str:
    """A default as it is typed."""
    if isinstance(value, Enum):
        value = value.value
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    return f"`{value:g}`" if isinstance(value, float) else f"`{value}`"


def _meaning(field: FieldInfo) -> str:
    """What it is for and which values it takes; of a text and of yes or no that need not be said."""
    meaning, values = _sentence(field.description or ""), values_of(field)
    if get_origin(field.annotation) is Literal:
        return f"{meaning} One of {values}."
    if field.annotation is bool or values == TEXT:
        return meaning
    return f"{meaning} {values[0].upper()}{values[1:]}."


def _plain(number: Any) -> str:
    """``1,000,000``, as people read it."""
    return f"{number:,}"


def commands_page() -> str:
    """The page of all commands as Markdown."""
    found = {
        _longest(param.opts): param for _, one in commands() for param in one.params if _is_common(param)
    }
    common = _table(("option", "meaning"), (_option_row(found[name])[::2] for name in COMMON))
    parts = (_command(path, one) for path, one in commands())
    return "\n".join([f"{COMMANDS_INTRO}{common}\n", *parts])


def commands() -> Iterator[tuple[str, Any]]:
    """Every command with the words that call it, by name."""
    yield from _below("ullage", typer.main.get_command(app))


def _below(path: str, command: Any) -> Iterator[tuple[str, Any]]:
    parts = getattr(command, "commands", None)
    if parts is None:
        yield path, command
        return
    for name, part in sorted(parts.items()):
        if not part.hidden:
            yield from _below(f"{path} {name}", part)


def _command(path: str, command: Any) -> str:
    shown = [p for p in command.params if p.expose_value and not getattr(p, "hidden", False)]
    words = [path]
    for param in shown:
        if param.param_type_name == "argument":
            words.append(_kind(param) if param.required else f"[{_kind(param)}]")
        elif param.required:
            words.append(f"{_longest(param.opts)} {_kind(param)}")
    if any(p.param_type_name == "option" and not p.required for p in shown):
        words.append("[OPTIONS]")
    parts = [f"## {path}", _paragraphs(command.help or ""), f"```\n{' '.join(words)}\n```"]
    described = [p for p in shown if (p.param_type_name == "option" or p.help) and not _is_common(p)]
    if described:
        parts.append(_table(("option", "default", "meaning"), (_option_row(p) for p in described)))
    common = [f"`{_longest(p.opts)}`" for p in shown if _is_common(p)]
    if common:
        parts.append(f"Further options: {', '.join(common)}.")
    return "\n\n".join(parts) + "\n"


def _is_common(param: Any) -> bool:
    """Whether it is one of those described once, with the meaning they have there."""
    texts = {one.help for kind in (DatabaseUrl, SettingsFile, AsJson) for one in get_args(kind)[1:]}
    return param.help in texts


def _option_row(param: Any) -> Sequence[str]:
    if param.param_type_name == "argument":
        name = f"`{_kind(param)}`"
    else:
        value = "" if param.is_flag else f" {_kind(param)}"
        name = f"`{', '.join(sorted(param.opts, key=len))}{value}`"
    given = "none" if param.default in (None, False, "") else _default(param.default)
    shown = "needed" if param.required else given
    meaning = _sentence(param.help or "")
    low, high = param.min, param.max
    if low is not None or high is not None:
        bounds = f"From {_plain(low)}" + (f" to {_plain(high)}." if high is not None else ".")
        meaning = f"{meaning} {bounds}".strip()
    return name, shown, meaning


def _kind(param: Any) -> str:
    """What stands for the value: FILE, NUMBER, TEXT, or the choices."""
    if param.metavar:
        return str(param.metavar)
    kind = param.type_descriptor.annotation
    if isinstance(kind, UnionType):
        kind = next(part for part in get_args(kind) if part is not type(None))
    if isinstance(kind, type) and issubclass(kind, Enum):
        return "|".join(str(one.value) for one in kind)
    if isinstance(kind, type) and issubclass(kind, int | float):
        return "NUMBER"
    if param.param_type_name == "argument":
        return str(param.name).upper()
    return "PATH" if kind is Path else "TEXT"


def _longest(options: Sequence[str]) -> str:
    return max(options, key=len)


def _paragraphs(text: str) -> str:
    """The lines of each paragraph joined."""
    return "\n\n".join(" ".join(part.split()) for part in text.split("\n\n"))


def _sentence(text: str) -> str:
    text = " ".join(text.split())
    return text if text.endswith((".", "!", "?")) or not text else f"{text}."


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join(f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in line)} |" for line in lines)


def alerts_page() -> str:
    """The page about alerts with its table of conditions made anew; the rest is written by hand."""
    text = (FOLDER / "alerts.md").read_text(encoding="utf-8")
    before, head, rest = text.partition("## What raises an alert\n\n")
    _, _, after = rest.partition("\n\n")
    rows = ((c.title, c.about, _grades(c), c.told.value) for c in CONDITIONS)
    return f"{before}{head}{_table(('alert', 'about', 'severities', 'mailed'), rows)}\n\n{after}"


def _grades(condition: Condition) -> str:
    return "; ".join(f"**{g.severity} {g.word}**: {g.meaning}" for g in condition.grades)


PAGES: Final = {"settings.md": settings_page, "commands.md": commands_page, "alerts.md": alerts_page}


def main() -> None:
    """Write the pages."""
    for name, make in PAGES.items():
        (FOLDER / name).write_text(make(), encoding="utf-8")


if __name__ == "__main__":
    main()
