"""Reads a fleet file (YAML): sites, contacts, laboratories, assets with compartments, instruments, service events.

Every problem names file, line and field, and says how to mend it; all problems of a file are told at once.
"""

import difflib
import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

import yaml

from app.domain.model import (
    Asset,
    AssetKind,
    Compartment,
    CompartmentKind,
    Contact,
    EventKind,
    LimitScope,
    Liquid,
    OwnerLimit,
    Preservation,
    ServiceEvent,
    Site,
    Source,
    SourceKind,
    TapChanger,
)
from app.domain.norms import NORM_SETS
from app.science.quantities import NORM_GASES

CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,62}")
EMAIL = re.compile(r"[^@\s,;<>\"\x00-\x1f]+@[^@\s,;<>\"\x00-\x1f]+")
SECTIONS = ("sites", "contacts", "laboratories", "assets", "instruments", "service_events", "limits")
FIRST_YEAR, LAST_YEAR = 1900, 2100


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


@dataclass(frozen=True)
class FleetFile:
    """A whole fleet, in the order in which it can be registered."""

    sites: tuple[Site, ...]
    assets: tuple[Asset, ...]
    compartments: tuple[Compartment, ...]
    sources: tuple[Source, ...]
    contacts: tuple[Contact, ...]
    service_events: tuple[ServiceEvent, ...]
    limits: tuple[OwnerLimit, ...] = ()


E = TypeVar("E", bound=StrEnum)


class _Reader:
    """Walks the nodes of a file and gathers problems."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.problems: list[FleetProblem] = []

    def problem(self, node: yaml.Node, field: str, reason: str) -> None:
        self.problems.append(FleetProblem(self.file, node.start_mark.line + 1, field, reason))

    def mapping(self, node: yaml.Node, field: str, known: tuple[str, ...]) -> dict[str, yaml.Node]:
        """The entries of a mapping; unknown and repeated keys are problems."""
        if not isinstance(node, yaml.MappingNode):
            self.problem(node, field, f"must be a mapping with the keys {', '.join(known)}")
            return {}
        entries: dict[str, yaml.Node] = {}
        for key, value in node.value:
            name = str(key.value) if isinstance(key, yaml.ScalarNode) else "?"
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


class _Entry:
    """One mapping of the file and its fields, read by kind."""

    def __init__(self, reader: _Reader, node: yaml.Node, field: str, known: tuple[str, ...]) -> None:
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
        return str(self._read(name, required, _text) or "")

    def optional_text(self, name: str) -> str | None:
        return self._read(name, False, _text) or None

    def code(self, name: str = "code") -> str:
        return str(self._read(name, True, _code) or "")

    def number(self, name: str, low: float, high: float) -> float | None:
        found = self._read(name, False, lambda text: _number(text, low, high))
        return None if found is None else float(found)

    def whole(self, name: str, low: int, high: int) -> int | None:
        found = self._read(name, False, lambda text: _whole(text, low, high))
        return None if found is None else int(found)

    def choice(self, name: str, kinds: type[E], default: E) -> E:
        found = self._read(name, False, lambda text: _choice(text, tuple(kinds)))
        return default if found is None else kinds(found)

    def read(self, name: str, convert: Callable[[str], Any]) -> Any:
        return self._read(name, True, convert)

    def codes(self, name: str) -> tuple[str, ...]:
        found = []
        for node in self.reader.sequence(self.entries.get(name), f"{self.field}.{name}"):
            if isinstance(node, yaml.ScalarNode) and node.value.strip():
                found.append(node.value.strip())
            else:
                self.reader.problem(node, f"{self.field}.{name}", "must be a list of codes")
        return tuple(found)


def _text(text: str) -> str:
    if len(text) > 500 or any(ord(c) < 32 for c in text):
        raise ValueError("must be one line of at most 500 characters")
    return text


def _code(text: str) -> str:
    if not CODE.fullmatch(text):
        raise ValueError(f"{text!r} is not a code: letters, digits, '.', '_' and '-', at most 63, no space")
    return text


def _number(text: str, low: float, high: float) -> float:
    try:
        value = float(text)
    except ValueError:
        raise ValueError(f"{text!r} is not a number") from None
    if not math.isfinite(value) or not low <= value <= high:
        raise ValueError(f"{text} is not between {low:g} and {high:g}")
    return value


def _whole(text: str, low: int, high: int) -> int:
    try:
        value = int(text)
    except ValueError:
        raise ValueError(f"{text!r} is not a whole number") from None
    if not low <= value <= high:
        raise ValueError(f"{text} is not between {low} and {high}")
    return value


def _choice(text: str, known: tuple[str, ...]) -> str:
    if text not in known:
        raise ValueError(f"{text!r} is not one of {', '.join(known)}")
    return text


def time_zone(text: str) -> str:
    """Raises ValueError when the time zone is not known."""
    try:
        ZoneInfo(text)
    except (OSError, ValueError):  # ZoneInfoNotFoundError is a KeyError
        raise ValueError(
            f"{text!r} is not a time zone; give a name of the IANA list, such as UTC or CET"
        ) from None
    except KeyError:
        raise ValueError(
            f"{text!r} is not a time zone; give a name of the IANA list, such as UTC or CET"
        ) from None
    return text


def email(text: str) -> str:
    """Raises ValueError when the text is no mail address."""
    if not EMAIL.fullmatch(text) or len(text) > 254:
        raise ValueError(f"{text!r} is not a mail address like name@example.org")
    return text


def moment(text: str) -> datetime:
    """Raises ValueError when the text is no ISO 8601 time with a zone."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{text!r} is not a time like 2024-05-03T10:00:00Z") from None
    if at.tzinfo is None:
        raise ValueError(f"{text!r} has no time zone; add Z or an offset like +02:00")
    return at.astimezone(UTC)


def parse_fleet(text: str, file: str) -> FleetFile:
    """The fleet a file describes.

    Raises:
        FleetFileError: with every problem of the file.
    """
    reader = _Reader(file)
    try:
        root = yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
        what = getattr(error, "problem", None) or str(error)
        line = mark.line + 1 if mark else 1
        raise FleetFileError([FleetProblem(file, line, "file", f"is not valid YAML: {what}")]) from None
    if root is None:
        raise FleetFileError([FleetProblem(file, 1, "file", f"is empty; it needs {', '.join(SECTIONS)}")])
    sections = reader.mapping(root, "", SECTIONS)
    fleet = _read_sections(reader, sections)
    if reader.problems:
        raise FleetFileError(sorted(reader.problems, key=lambda p: p.line))
    return fleet


def _read_sections(reader: _Reader, sections: Mapping[str, yaml.Node]) -> FleetFile:
    def entries(section: str, known: tuple[str, ...]) -> Iterator[_Entry]:
        for i, node in enumerate(reader.sequence(sections.get(section), section)):
            yield _Entry(reader, node, f"{section}[{i}]", known)

    seen = _Seen(reader)
    sites = tuple(_site(e, seen) for e in entries("sites", ("code", "name", "time_zone")))
    assets, compartments = [], []
    for entry in entries("assets", _ASSET_KEYS):
        asset, parts = _asset(entry, seen)
        assets.append(asset)
        compartments.extend(parts)
    laboratories = [_laboratory(e, seen) for e in entries("laboratories", ("code", "name", "profile"))]
    instruments = [_instrument(e, seen) for e in entries("instruments", _INSTRUMENT_KEYS)]
    contacts = tuple(_contact(e, seen) for e in entries("contacts", ("code", "name", "email", "sites")))
    events = tuple(_event(e, seen) for e in entries("service_events", _EVENT_KEYS))
    limits = tuple(_limit(e, seen) for e in entries("limits", _LIMIT_KEYS))
    sources = (*laboratories, *instruments)
    return FleetFile(sites, tuple(assets), tuple(compartments), sources, contacts, events, limits)


_ASSET_KEYS = (
    "code",
    "name",
    "site",
    "kind",
    "serial",
    "manufacturer",
    "year_energized",
    "rated_kv",
    "rated_mva",
    "liquid",
    "oil_volume_l",
    "preservation",
    "tap_changer",
    "norm_set",
    "compartments",
)
_INSTRUMENT_KEYS = ("code", "name", "asset", "compartments", "expected_interval_minutes")
_EVENT_KEYS = ("asset", "compartment", "at", "kind", "note")
_LIMIT_KEYS = ("scope", "of", "gas", "typical", "high", "note")


class _Seen:
    """Codes met so far: no code twice, no reference to one that the file does not define."""

    def __init__(self, reader: _Reader) -> None:
        self._reader = reader
        self._codes: dict[str, set[str]] = {}

    def define(self, kind: str, code: str, entry: _Entry, field: str = "code") -> None:
        codes = self._codes.setdefault(kind, set())
        if code and code in codes:
            self._reader.problem(
                entry.node, f"{entry.field}.{field}", f"the {kind} {code!r} is defined twice"
            )
        codes.add(code)

    def refer(self, kind: str, code: str, entry: _Entry, field: str) -> None:
        if code and code not in self._codes.get(kind, set()):
            node = entry.entries.get(field, entry.node)
            self._reader.problem(node, f"{entry.field}.{field}", f"this file defines no {kind} {code!r}")


def _site(entry: _Entry, seen: _Seen) -> Site:
    site = Site(entry.code(), entry.text("name"), entry.read("time_zone", time_zone) or "UTC")
    seen.define("site", site.code, entry)
    return site


def _asset(entry: _Entry, seen: _Seen) -> tuple[Asset, list[Compartment]]:
    asset = Asset(
        code=entry.code(),
        name=entry.text("name"),
        site_code=entry.code("site"),
        kind=entry.choice("kind", AssetKind, AssetKind.TRANSFORMER),
        serial=entry.optional_text("serial"),
        manufacturer=entry.optional_text("manufacturer"),
        year_energized=entry.whole("year_energized", FIRST_YEAR, LAST_YEAR),
        rated_kv=entry.number("rated_kv", 0.1, 2000),
        rated_mva=entry.number("rated_mva", 0.001, 5000),
        liquid=entry.choice("liquid", Liquid, Liquid.MINERAL_OIL),
        oil_volume_l=entry.number("oil_volume_l", 1, 1_000_000),
        preservation=entry.choice("preservation", Preservation, Preservation.UNKNOWN),
        tap_changer=entry.choice("tap_changer", TapChanger, TapChanger.UNKNOWN),
        norm_set=_norm_set(entry),
    )
    seen.define("asset", asset.code, entry)
    seen.refer("site", asset.site_code, entry, "site")
    known = ("name", "kind", "oil_volume_l")
    parts = []
    for i, node in enumerate(
        entry.reader.sequence(entry.entries.get("compartments"), f"{entry.field}.compartments")
    ):
        part = _Entry(entry.reader, node, f"{entry.field}.compartments[{i}]", known)
        name = part.text("name")
        kind = part.choice("kind", CompartmentKind, CompartmentKind.MAIN_TANK)
        parts.append(Compartment(asset.code, name, kind, part.number("oil_volume_l", 1, 1_000_000)))
        seen.define("compartment", f"{asset.code}/{name}", part, "name")
    if not parts:
        parts.append(Compartment(asset.code, "main", oil_volume_l=asset.oil_volume_l))
        seen.define("compartment", f"{asset.code}/main", entry)
    return asset, parts


def _norm_set(entry: _Entry) -> str:
    if "norm_set" not in entry.entries:
        return NORM_SETS[0]
    return entry.read("norm_set", lambda text: _choice(text, NORM_SETS)) or NORM_SETS[0]


def _laboratory(entry: _Entry, seen: _Seen) -> Source:
    source = Source(entry.code(), entry.text("name"), SourceKind.LABORATORY, profile=entry.code("profile"))
    seen.define("source", source.code, entry)
    return source


def _instrument(entry: _Entry, seen: _Seen) -> Source:
    served = entry.codes("compartments") or ("main",)
    source = Source(
        code=entry.code(),
        name=entry.text("name"),
        kind=SourceKind.INSTRUMENT,
        asset_code=entry.code("asset"),
        compartments=served,
        expected_interval_minutes=entry.whole("expected_interval_minutes", 1, 527_040),
    )
    seen.define("source", source.code, entry)
    seen.refer("asset", source.asset_code or "", entry, "asset")
    for name in served:
        seen.refer("compartment", f"{source.asset_code}/{name}", entry, "compartments")
    return source


def _contact(entry: _Entry, seen: _Seen) -> Contact:
    contact = Contact(
        entry.code(), entry.text("name"), entry.read("email", email) or "", entry.codes("sites")
    )
    seen.define("contact", contact.code, entry)
    for code in contact.sites:
        seen.refer("site", code, entry, "sites")
    return contact


def _event(entry: _Entry, seen: _Seen) -> ServiceEvent:
    asset, compartment = entry.code("asset"), entry.text("compartment", required=False) or "main"
    seen.refer("compartment", f"{asset}/{compartment}", entry, "compartment")
    at = entry.read("at", moment) or datetime(1970, 1, 1, tzinfo=UTC)
    kind = entry.read("kind", lambda text: _choice(text, tuple(EventKind))) or EventKind.NOTE
    return ServiceEvent(asset, compartment, at, EventKind(kind), entry.text("note", required=False))


def _limit(entry: _Entry, seen: _Seen) -> OwnerLimit:
    scope = LimitScope(entry.read("scope", lambda text: _choice(text, tuple(LimitScope))) or LimitScope.FLEET)
    of = entry.text("of", required=scope is not LimitScope.FLEET)
    if scope is LimitScope.ASSET:
        seen.refer("asset", of, entry, "of")
    elif scope is LimitScope.KIND and of and of not in set(AssetKind):
        entry.reader.problem(
            entry.entries["of"], f"{entry.field}.of", f"{of!r} is not one of {', '.join(AssetKind)}"
        )
    elif scope is LimitScope.FLEET and of:
        entry.reader.problem(entry.entries["of"], f"{entry.field}.of", "must be left out for the whole fleet")
    gas = str(entry.read("gas", lambda text: _choice(text, NORM_GASES)) or NORM_GASES[0])
    typical, high = entry.number("typical", 0, 1_000_000), entry.number("high", 0, 1_000_000)
    if typical is None and high is None:
        entry.reader.problem(entry.node, f"{entry.field}.typical", "give typical, high or both")
    if typical is not None and high is not None and high < typical:
        entry.reader.problem(entry.entries["high"], f"{entry.field}.high", "must not be below typical")
    seen.define("limit", f"{scope.value} {of} {gas}", entry, "gas")
    return OwnerLimit(scope, of, gas, typical, high, entry.text("note", required=False))
