"""Reads a fleet file (YAML): sites, contacts, laboratories, assets with compartments, instruments, service events.

Every problem names file, line and field, and says how to mend it; all problems of a file are told at once.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import yaml
from pydantic import ValidationError

from app.domain.model import Asset, Compartment, Contact, LadderStep, OwnerLimit, ServiceEvent, Site, Source
from app.errors import GivenError
from app.intake.registering.faults import Fault, faults_of
from app.intake.registering.fields import Door
from app.intake.registering.references import reference_faults
from app.intake.registering.things import FleetEntries, keys_of
from app.intake.registering.yaml_nodes import NotYamlError, Plain, Unfolded, compose, line_of


@dataclass(frozen=True, slots=True)
class FleetProblem:
    """One thing wrong with a fleet file."""

    file: str
    line: int
    field: str
    reason: str

    def __str__(self) -> str:
        return f"{self.file}, line {self.line}, {self.field}: {self.reason}"


class FleetFileError(GivenError):
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
    actions: tuple[LadderStep, ...] = ()
    source_lines: Mapping[str, int] = field(default_factory=dict)
    """The line at which each source is defined, by its code."""


def parse_fleet(text: str, file: str) -> FleetFile:
    """The fleet a file describes.

    Raises:
        FleetFileError: with every problem of the file.
    """
    root = _root(text, file)
    unfolded = Unfolded()
    held = unfolded.plain(root)
    entries, faults = _entries(held)
    told = {fault.place for fault in faults}
    faults += [fault for fault in unfolded.faults if fault.place[:-1] not in told]
    faults += [fault for fault in reference_faults(held) if fault.place not in told]
    if entries is None or faults:
        problems = [FleetProblem(file, line_of(root, f), f.field("file"), f.reason) for f in faults]
        raise FleetFileError(sorted(problems, key=lambda p: p.line))
    return _fleet(entries, root)


def _root(text: str, file: str) -> yaml.Node:
    try:
        root = compose(text)
    except NotYamlError as error:
        raise FleetFileError([FleetProblem(file, error.line, "file", str(error))]) from None
    if root is None:
        reason = f"is empty; it needs {', '.join(keys_of(FleetEntries))}"
        raise FleetFileError([FleetProblem(file, 1, "file", reason)])
    return root


def _entries(held: Plain) -> tuple[FleetEntries | None, list[Fault]]:
    """The entries, or None and what is wrong with them, each by itself."""
    try:
        return FleetEntries.model_validate(held, strict=False, context=Door.FILE), []
    except ValidationError as error:
        return None, faults_of(error, FleetEntries, Door.FILE)


def _fleet(entries: FleetEntries, root: yaml.Node) -> FleetFile:
    assets = [entry.asset(entry.code) for entry in entries.assets]
    sources, lines = [], {}
    for section in ("laboratories", "instruments"):
        for i, entry in enumerate(getattr(entries, section)):
            sources.append(entry.source(entry.code))
            lines[entry.code] = line_of(root, Fault((section, i), ""))
    return FleetFile(
        sites=tuple(entry.site(entry.code) for entry in entries.sites),
        assets=tuple(asset for asset, _ in assets),
        compartments=tuple(part for _, parts in assets for part in parts),
        sources=tuple(sources),
        contacts=tuple(entry.contact(entry.code) for entry in entries.contacts),
        service_events=tuple(entry.event() for entry in entries.service_events),
        limits=tuple(entry.limit() for entry in entries.limits),
        actions=tuple(entry.step() for entry in entries.actions),
        source_lines=lines,
    )
