"""Reads a fleet file (YAML): sites, contacts, laboratories, assets with compartments, instruments, service events.

Every problem names file, line and field, and says how to mend it; all problems of a file are told at once.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime

import yaml

from app.domain.alerting.advice import RUNGS
from app.domain.judging.norms import NORM_SETS
from app.domain.model import (
    Asset,
    AssetKind,
    Compartment,
    CompartmentKind,
    Contact,
    EventKind,
    LadderStep,
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
from app.intake.files.profile import profile_names
from app.intake.registering.fleet_entries import (
    CODE,
    Entry,
    FleetFileError,
    FleetProblem,
    Reader,
    email,
    moment,
    one_of,
    time_zone,
)
from app.science.quantities import NORM_GASES

__all__ = [
    "CODE",
    "FIRST_YEAR",
    "LAST_YEAR",
    "FleetFile",
    "FleetFileError",
    "FleetProblem",
    "email",
    "parse_fleet",
    "time_zone",
]

SECTIONS = (
    "sites",
    "contacts",
    "laboratories",
    "assets",
    "instruments",
    "service_events",
    "limits",
    "actions",
)
FIRST_YEAR, LAST_YEAR = 1900, 2100
NEVER = datetime(FIRST_YEAR, 1, 1, tzinfo=UTC)  # stands for a time that could not be read


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
    actions: tuple[LadderStep, ...] = ()
    source_lines: Mapping[str, int] = field(default_factory=dict)
    """The line at which each source is defined, by its code."""


def parse_fleet(text: str, file: str) -> FleetFile:
    """The fleet a file describes.

    Raises:
        FleetFileError: with every problem of the file.
    """
    reader = Reader(file)
    root = _root(text, file)
    sections = reader.mapping(root, "", SECTIONS)
    fleet = _read_sections(reader, sections)
    if reader.problems:
        raise FleetFileError(sorted(reader.problems, key=lambda p: p.line))
    return fleet


def _root(text: str, file: str) -> yaml.Node:
    """The nodes of the text. They are never made into objects: what a file holds is read, not run."""
    line, reason = 1, f"is empty; it needs {', '.join(SECTIONS)}"
    try:
        root = yaml.compose(text, Loader=yaml.SafeLoader)
        if root is not None:
            return root
    except yaml.reader.ReaderError as error:
        line = text.count("\n", 0, int(error.position)) + 1
        reason = f"is not valid YAML: the character U+{int(error.character):04X} may not stand in it"
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark else 1
        reason = f"is not valid YAML: {error.problem or error.context}"
    except RecursionError:
        reason = "is nested too deeply to be a fleet"
    raise FleetFileError([FleetProblem(file, line, "file", reason)])


def _read_sections(reader: Reader, sections: Mapping[str, yaml.Node]) -> FleetFile:
    def entries(section: str, known: tuple[str, ...]) -> Iterator[Entry]:
        for i, node in enumerate(reader.sequence(sections.get(section), section)):
            yield Entry(reader, node, f"{section}[{i}]", known)

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
    actions = tuple(_action(e, seen) for e in entries("actions", _ACTION_KEYS))
    everything = (sites, tuple(assets), tuple(compartments), sources, contacts, events, limits, actions)
    return FleetFile(*everything, seen.lines)


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
_INSTRUMENT_KEYS = ("code", "name", "asset", "compartments", "expected_interval_minutes", "posts_per_minute")
_EVENT_KEYS = ("asset", "compartment", "at", "kind", "note")
_ACTION_KEYS = ("urgency", "order", "text", "days")
_LIMIT_KEYS = ("scope", "of", "gas", "typical", "high", "note")


class _Seen:
    """Codes met so far: no code twice, no reference to one that the file does not define."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader
        self._codes: dict[str, set[str]] = {}
        self.lines: dict[str, int] = {}

    def define(self, kind: str, code: str, entry: Entry, field: str = "code") -> None:
        codes = self._codes.setdefault(kind, set())
        if code and code in codes:
            self._reader.problem(
                entry.node, f"{entry.field}.{field}", f"the {kind} {code!r} is defined twice"
            )
        codes.add(code)
        if kind == "source":
            self.lines[code] = entry.node.start_mark.line + 1

    def refer(self, kind: str, code: str, entry: Entry, field: str) -> None:
        if code and code not in self._codes.get(kind, set()):
            node = entry.entries.get(field, entry.node)
            self._reader.problem(node, f"{entry.field}.{field}", f"this file defines no {kind} {code!r}")


def _site(entry: Entry, seen: _Seen) -> Site:
    site = Site(entry.code(), entry.text("name"), entry.read("time_zone", time_zone) or "UTC")
    seen.define("site", site.code, entry)
    return site


def _asset(entry: Entry, seen: _Seen) -> tuple[Asset, list[Compartment]]:
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
        part = Entry(entry.reader, node, f"{entry.field}.compartments[{i}]", known)
        name = part.text("name")
        kind = part.choice("kind", CompartmentKind, CompartmentKind.MAIN_TANK)
        parts.append(Compartment(asset.code, name, kind, part.number("oil_volume_l", 1, 1_000_000)))
        seen.define("compartment", f"{asset.code}/{name}", part, "name")
    if not parts:
        parts.append(Compartment(asset.code, "main", oil_volume_l=asset.oil_volume_l))
        seen.define("compartment", f"{asset.code}/main", entry)
    return asset, parts


def _norm_set(entry: Entry) -> str:
    if "norm_set" not in entry.entries:
        return NORM_SETS[0]
    return entry.read("norm_set", lambda text: one_of(text, NORM_SETS)) or NORM_SETS[0]


def _laboratory(entry: Entry, seen: _Seen) -> Source:
    profile = str(entry.read("profile", lambda text: one_of(text, tuple(profile_names()))) or "")
    source = Source(entry.code(), entry.text("name"), SourceKind.LABORATORY, profile=profile)
    seen.define("source", source.code, entry)
    return source


def _instrument(entry: Entry, seen: _Seen) -> Source:
    served = entry.codes("compartments") or ("main",)
    source = Source(
        code=entry.code(),
        name=entry.text("name"),
        kind=SourceKind.INSTRUMENT,
        asset_code=entry.code("asset"),
        compartments=served,
        expected_interval_minutes=entry.whole("expected_interval_minutes", 1, 527_040),
        posts_per_minute=entry.whole("posts_per_minute", 0, 1_000_000),
    )
    seen.define("source", source.code, entry)
    seen.refer("asset", source.asset_code or "", entry, "asset")
    for name in served:
        seen.refer("compartment", f"{source.asset_code}/{name}", entry, "compartments")
    return source


def _contact(entry: Entry, seen: _Seen) -> Contact:
    contact = Contact(
        entry.code(), entry.text("name"), entry.read("email", email) or "", entry.codes("sites")
    )
    seen.define("contact", contact.code, entry)
    for code in contact.sites:
        seen.refer("site", code, entry, "sites")
    return contact


def _event(entry: Entry, seen: _Seen) -> ServiceEvent:
    asset, compartment = entry.code("asset"), entry.text("compartment", required=False) or "main"
    seen.refer("compartment", f"{asset}/{compartment}", entry, "compartment")
    at: datetime | None = entry.read("at", moment)
    kind = EventKind(entry.read("kind", lambda text: one_of(text, tuple(EventKind))) or EventKind.NOTE)
    if at is not None:  # one compartment, time and kind is one event: two would undo one another at each load
        seen.define("service event", f"{asset}/{compartment} {at:%Y-%m-%dT%H:%M:%SZ} {kind}", entry, "at")
    return ServiceEvent(asset, compartment, at or NEVER, kind, entry.text("note", required=False))


def _limit(entry: Entry, seen: _Seen) -> OwnerLimit:
    scope = LimitScope(entry.read("scope", lambda text: one_of(text, tuple(LimitScope))) or LimitScope.FLEET)
    of = entry.text("of", required=scope is not LimitScope.FLEET)
    if scope is LimitScope.ASSET:
        seen.refer("asset", of, entry, "of")
    elif scope is LimitScope.KIND and of and of not in set(AssetKind):
        entry.reader.problem(
            entry.entries["of"], f"{entry.field}.of", f"{of!r} is not one of {', '.join(AssetKind)}"
        )
    elif scope is LimitScope.FLEET and of:
        entry.reader.problem(entry.entries["of"], f"{entry.field}.of", "must be left out for the whole fleet")
    gas = str(entry.read("gas", lambda text: one_of(text, NORM_GASES)) or NORM_GASES[0])
    typical, high = entry.number("typical", 0, 1_000_000), entry.number("high", 0, 1_000_000)
    if typical is None and high is None:
        entry.reader.problem(entry.node, f"{entry.field}.typical", "give typical, high or both")
    if typical is not None and high is not None and high < typical:
        entry.reader.problem(entry.entries["high"], f"{entry.field}.high", "must not be below typical")
    seen.define("limit", f"{scope.value} {of} {gas}", entry, "gas")
    return OwnerLimit(scope, of, gas, typical, high, entry.text("note", required=False))


def _action(entry: Entry, seen: _Seen) -> LadderStep:
    urgency = str(entry.read("urgency", lambda text: one_of(text, RUNGS)) or RUNGS[0])
    order, days = entry.whole("order", 1, 99), entry.whole("days", 0, 3660)
    for name, value in (("order", order), ("days", days)):
        if value is None and name not in entry.entries:
            entry.reader.problem(entry.node, f"{entry.field}.{name}", "is missing")
    seen.define("action", f"{urgency} {order}", entry, "order")
    return LadderStep(urgency, order or 1, entry.text("text"), days or 0)
