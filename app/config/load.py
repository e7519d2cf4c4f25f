"""Where settings are read from, and what is said when they cannot be used."""

import os
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

from app.config.settings import Settings
from app.config.values import PREFIX, TEXT, values_of
from app.errors import GivenError

FILE_VARIABLE: Final = f"{PREFIX}SETTINGS_FILE"
FILE_NAME: Final = "ullage.toml"
_OPTIONS: Final = {
    "database_url": "--database",
    "app_workers": "--workers",
    "raw_retention_months": "--months",
}
"""Options that are not called as their setting."""
_KEY: Final = re.compile(r"""^\s*\[*\s*["']?([\w-]+)["']?\s*[=.\]]""")


class SettingsError(GivenError):
    """Settings that cannot be used; the text says of each where it stands, what is wrong and how to mend it."""


class OptionError(SettingsError):
    """Only options of the command are wrong."""


@dataclass(frozen=True, slots=True)
class _Source:
    """What one source says.

    Attributes:
        values: by name of the setting.
        places: where each stands, as a person finds it.
        own_names: a setting's name as this source writes it.
        typed: its values have types of their own, so that a number in quotes is a mistake.
    """

    values: Mapping[str, Any]
    places: Mapping[str, str]
    own_names: Mapping[str, str]
    typed: bool = False

    def problems(self) -> Iterator[str]:
        """One line each, in the order of the source."""
        known = {name: value for name, value in self.values.items() if name in Settings.model_fields}
        wrong: dict[str, str] = {}
        try:
            Settings.model_validate(known, strict=self.typed)
        except ValidationError as error:
            # a default that is made of another setting is named too when that one is wrong
            wrong = {
                name: self._wrong(name, found)
                for found in error.errors()
                if (name := str(found["loc"][0])) in known
            }
        for name, place in self.places.items():
            if name not in known:
                yield f"{place}: there is no such setting{self._meant(name)}"
            elif name in wrong:
                yield f"{place}: {wrong[name]}"

    def _meant(self, name: str) -> str:
        value = self.values[name]
        if isinstance(value, dict):  # a table of TOML
            within = (f"{name}_{key} = ..." for key in value if f"{name}_{key}" in Settings.model_fields)
            return f"; settings stand in no table, write {next(within, 'NAME = VALUE')}"
        near = get_close_matches(name.lower().removeprefix(PREFIX.lower()), Settings.model_fields, n=1)
        return f"; is {self.own_names.get(near[0], near[0])} meant?" if near else ""

    def _wrong(self, name: str, found: Mapping[str, Any]) -> str:
        field = Settings.model_fields[name]
        wanted = values_of(field)
        if wanted != TEXT:
            bare = (
                self.typed and isinstance(self.values[name], str) and field.annotation in (bool, int, float)
            )
            return f"cannot be used; give {wanted}{', without quotes' if bare else ''}"
        if found["type"] == "value_error":
            return str(found["ctx"]["error"])
        if found["type"] == "string_type":
            return "cannot be used; give text, in quotes"
        if found["type"] == "string_pattern_mismatch":  # an expression helps nobody; say what is wanted
            return f"cannot be used; it is for: {field.description}"
        return str(found["msg"])


def settings_file(given: Path | None = None, environ: Mapping[str, str] | None = None) -> Path | None:
    """The file that settings are read from: the one given, else that of ``ULLAGE_SETTINGS_FILE`` (empty: none), else
    ``ullage.toml`` of the working folder where there is one."""
    environ = os.environ if environ is None else environ
    if given is not None:
        return given
    if (named := environ.get(FILE_VARIABLE)) is not None:
        return Path(named) if named else None
    return Path(FILE_NAME) if Path(FILE_NAME).exists() else None


def load_settings(
    environ: Mapping[str, str] | None = None,
    *,
    file: Path | None = None,
    options: Mapping[str, object] | None = None,
) -> Settings:
    """The settings of this process: options go before the environment, and the environment before the file.

    Args:
        environ: the environment to read; the process's own when None.
        file: a TOML file, see :func:`settings_file`; None: there is none.
        options: values by name of the setting; those that are None were not given.

    Raises:
        SettingsError: naming each setting that is unknown or has a value that cannot be used.
    """
    others = [_of_file(file)] if file else []
    others.append(_of_environment(os.environ if environ is None else environ))
    chosen = _of_options(options or {})
    problems = [problem for source in others for problem in source.problems()]
    wrong_options = list(chosen.problems())
    if problems or wrong_options:
        error = SettingsError if problems else OptionError
        raise error("\n".join([*problems, *wrong_options]))
    values: dict[str, Any] = {}
    for source in (*others, chosen):
        values |= source.values
    return Settings.model_validate(values)


def _of_options(options: Mapping[str, object]) -> _Source:
    given = {name: value for name, value in options.items() if value is not None}
    places = {name: _OPTIONS.get(name, f"--{name}") for name in given}
    return _Source(given, places, places)


def _of_environment(environ: Mapping[str, str]) -> _Source:
    found = {
        name[len(PREFIX) :].lower(): (name, value)
        for name, value in environ.items()
        if name.upper().startswith(PREFIX) and name.upper() != FILE_VARIABLE
    }
    return _Source(
        {name: value for name, (_, value) in found.items()},
        {name: variable for name, (variable, _) in found.items()},
        {name: f"{PREFIX}{name.upper()}" for name in Settings.model_fields},
    )


def _of_file(path: Path) -> _Source:
    """Raises SettingsError when it cannot be read as TOML at all."""
    try:
        text = path.read_text(encoding="utf-8")
        values = tomllib.loads(text)
    except OSError as error:
        raise SettingsError(f"the settings file {path} cannot be read: {error.strerror}") from None
    except UnicodeDecodeError as error:
        raise SettingsError(f"the settings file {path} is not UTF-8 text (byte {error.start})") from None
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(
            f"the settings file {path} is no TOML: {error}; write a setting a line, NAME = VALUE, texts in quotes"
        ) from None
    lines: dict[str, int] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if found := _KEY.match(line):
            lines.setdefault(found[1], number)
    places = {
        name: f"{path}, line {lines[name]}, {name}" if name in lines else f"{path}, {name}" for name in values
    }
    return _Source(values, places, {}, typed=True)
