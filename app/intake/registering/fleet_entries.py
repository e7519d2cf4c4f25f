"""Entries of a YAML file, read by kind, with the line of all that is wrong with them."""

import difflib
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import yaml

NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,3})?")
WHOLE = re.compile(r"[+-]?[0-9]{1,18}")
CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,62}")
EMAIL = re.compile(r"[^@\s,;<>\"\x00-\x1f]+@[^@\s,;<>\"\x00-\x1f]+")


@dataclass(frozen=True, slots=True)
class FleetProblem:
    """One thing wrong with a fleet file."""

    file: str
    line: int
    field: str
    reason: str

    def __str__(self) -> str:
        return f"{self.file}, line {self.line}, {self.field}: {self.reason}"


class FleetFileError(Exception):
    """The file cannot be loaded; ``problems`` lists all that is wrong with it."""

    def __init__(self, problems: list[FleetProblem]) -> None:
        super().__init__("\n".join(str(p) for p in problems))
        self.problems = problems


E = TypeVar("E", bound=StrEnum)


class Reader:
    """Walks the nodes of a file and gathers problems."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.problems: list[FleetProblem] = []

    def problem(self, node: yaml.Node, field: str, reason: str) -> None:
        self.problems.append(FleetProblem(self.file, node.start_mark.line + 1, field, reason))

    def mapping(self, node: yaml.Node, field: str, known: tuple[str, ...]) -> dict[str, yaml.Node]:
        """The entries of a mapping; unknown and repeated keys are problems."""
        if not isinstance(node, yaml.MappingNode):
            self.problem(node, field or "file", f"must be a mapping with the keys {', '.join(known)}")
            return {}
        entries: dict[str, yaml.Node] = {}
        for key, value in node.value:
            name = _shown(str(key.value)) if isinstance(key, yaml.ScalarNode) else "?"
            if name not in known:
                near = difflib.get_close_matches(name, known, n=1)
                hint = f"did you mean {near[0]!r}?" if near else f"known are {', '.join(known)}"
                self.problem(key, f"{field}.{name}" if field else name, f"is not a known key; {hint}")
            elif name in entries:
                self.problem(key, f"{field}.{name}" if field else name, "stands twice; keep one")
            else:
                entries[name] = value
        return entries

    def sequence(self, node: yaml.Node | None, field: str) -> list[yaml.Node]:
        if node is None or (isinstance(node, yaml.ScalarNode) and node.tag.endswith(":null")):
            return []
        if not isinstance(node, yaml.SequenceNode):
            self.problem(node, field, "must be a list, each entry beginning with '- '")
            return []
        return list(node.value)


class Entry:
    """One mapping of the file and its fields, read by kind."""

    def __init__(self, reader: Reader, node: yaml.Node, field: str, known: tuple[str, ...]) -> None:
        self.reader = reader
        self.node = node
        self.field = field
        self.entries = reader.mapping(node, field, known)

    def _scalar(self, name: str, required: bool) -> yaml.ScalarNode | None:
        node = self.entries.get(name)
        empty = isinstance(node, yaml.ScalarNode) and (node.tag.endswith(":null") or not node.value.strip())
        if node is None or empty:
            if required:
                self.reader.problem(node or self.node, f"{self.field}.{name}", "is missing")
            return None
        if not isinstance(node, yaml.ScalarNode):
            self.reader.problem(node, f"{self.field}.{name}", "must be a single value")
            return None
        return node

    def _read(self, name: str, required: bool, convert: Callable[[str], Any]) -> Any:
        node = self._scalar(name, required)
        if node is None:
            return None
        try:
            return convert(node.value.strip())
        except ValueError as error:
            self.reader.problem(node, f"{self.field}.{name}", str(error))
            return None

    def text(self, name: str, *, required: bool = True) -> str:
        return str(self._read(name, required, one_line) or "")

    def optional_text(self, name: str) -> str | None:
        return self._read(name, False, one_line) or None

    def code(self, name: str = "code") -> str:
        return str(self._read(name, True, code_of) or "")

    def number(self, name: str, low: float, high: float) -> float | None:
        found = self._read(name, False, lambda text: number_of(text, low, high))
        return None if found is None else float(found)

    def whole(self, name: str, low: int, high: int) -> int | None:
        found = self._read(name, False, lambda text: whole_of(text, low, high))
        return None if found is None else int(found)

    def choice(self, name: str, kinds: type[E], default: E) -> E:
        found = self._read(name, False, lambda text: one_of(text, tuple(kinds)))
        return default if found is None else kinds(found)

    def read(self, name: str, convert: Callable[[str], Any]) -> Any:
        return self._read(name, True, convert)

    def codes(self, name: str) -> tuple[str, ...]:
        found = []
        for node in self.reader.sequence(self.entries.get(name), f"{self.field}.{name}"):
            if isinstance(node, yaml.ScalarNode) and node.value.strip():
                code = node.value.strip()
                if code in found:
                    self.reader.problem(
                        node, f"{self.field}.{name}", f"{_quoted(code)} stands twice; keep one"
                    )
                found.append(code)
            else:
                self.reader.problem(node, f"{self.field}.{name}", "must be a list of names or codes")
        return tuple(found)


def _shown(text: str) -> str:
    """Text of the file as a message may hold it: short, and nothing that a terminal would obey."""
    return text if text.isprintable() and len(text) <= 60 else ascii(text[:60])


def _quoted(text: str) -> str:
    return repr(text) if len(text) <= 60 else f"{text[:60]!r} (and {len(text) - 60} characters more)"


def one_line(text: str) -> str:
    """Raises ValueError for text that no page and no database takes as one line."""
    if len(text) > 500 or not text.isprintable():
        raise ValueError("must be one line of at most 500 characters, without control characters")
    return text


def code_of(text: str) -> str:
    """Raises ValueError when the text is no code."""
    if not CODE.fullmatch(text):
        raise ValueError(
            f"{_quoted(text)} is not a code: letters, digits, '.', '_' and '-', at most 63, no space"
        )
    return text


def number_of(text: str, low: float, high: float) -> float:
    """Raises ValueError when the text is no number or out of bounds."""
    if not NUMBER.fullmatch(text):  # Python would take 1_000 and inf
        raise ValueError(f"{_quoted(text)} is not a number")
    value = float(text)
    if not low <= value <= high:
        raise ValueError(f"{_shown(text)} is not between {low:g} and {high:g}")
    return value


def whole_of(text: str, low: int, high: int) -> int:
    """Raises ValueError when the text is no whole number or out of bounds."""
    if not WHOLE.fullmatch(text):
        raise ValueError(f"{_quoted(text)} is not a whole number")
    value = int(text)
    if not low <= value <= high:
        raise ValueError(f"{text} is not between {low} and {high}")
    return value


def one_of(text: str, known: tuple[str, ...]) -> str:
    """Raises ValueError when the text is none of the known ones."""
    if text not in known:
        near = difflib.get_close_matches(text, known, n=1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        raise ValueError(f"{_quoted(text)} is not one of {', '.join(known)}{hint}")
    return text


def time_zone(text: str) -> str:
    """Raises ValueError when the time zone is not known."""
    try:
        ZoneInfo(text)
    except (OSError, ValueError, ZoneInfoNotFoundError):  # a folder, a path, an unknown name
        raise ValueError(
            f"{_quoted(text)} is not a time zone; give a name of the IANA list, such as UTC or CET"
        ) from None
    return text


def email(text: str) -> str:
    """Raises ValueError when the text is no mail address."""
    if not EMAIL.fullmatch(text) or len(text) > 254 or not text.isprintable():
        raise ValueError(f"{_quoted(text)} is not a mail address like name@example.org")
    return text


def moment(text: str) -> datetime:
    """Raises ValueError when the text is no ISO 8601 time with a zone."""
    try:
        at = datetime.fromisoformat(text)
        at = at if at.tzinfo is None else at.astimezone(UTC)
    except (ValueError, OverflowError):  # the year 1 has no earlier one for an offset to reach into
        raise ValueError(f"{_quoted(text)} is not a time like 2024-05-03T10:00:00Z") from None
    if at.tzinfo is None:
        raise ValueError(f"{_quoted(text)} has no time zone; add Z or an offset like +02:00")
    return at
