"""Register a whole fleet from a file: all or nothing, and a second time changes nothing."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from app.domain.model import SourceKind
from app.intake.fleet_file import FleetFile, FleetFileError, FleetProblem, parse_fleet
from app.store import events, fleet, limits, registration
from app.store.database import Connection, Database

__all__ = ["FleetFileError", "FleetReport", "load_fleet"]


@dataclass(frozen=True)
class FleetReport:
    """How many entries of each section were created, changed and left as they were."""

    counts: dict[str, Counter[str]] = field(default_factory=dict)
    not_named: dict[str, tuple[str, ...]] = field(default_factory=dict)
    """Codes by section that are registered and that the file does not name; they stay."""

    def total(self, result: str) -> int:
        """Entries over all sections that were ``created``, ``changed`` or ``unchanged``."""
        return sum(counter[result] for counter in self.counts.values())


def load_fleet(database: Database, text: str, filename: str) -> FleetReport:
    """Register what a fleet file describes, in one transaction. Nothing is ever removed.

    Raises:
        FleetFileError: with every problem of the file, each naming file, line and field; nothing is stored then.
    """
    found = parse_fleet(text, filename)
    with database.write() as connection:
        registration.lock(connection)
        _refuse_changed_kinds(connection, found, filename)
        counts = {
            "sites": Counter(fleet.upsert_site(connection, one) for one in found.sites),
            "assets": Counter(fleet.upsert_asset(connection, one) for one in found.assets),
            "compartments": Counter(fleet.upsert_compartment(connection, one) for one in found.compartments),
        }
        for section, kind in _SOURCES.items():
            of_kind = [source for source in found.sources if source.kind is kind]
            counts[section] = Counter(fleet.upsert_source(connection, one) for one in of_kind)
        counts["contacts"] = Counter(fleet.upsert_contact(connection, one) for one in found.contacts)
        counts["service_events"] = Counter(
            events.upsert_event(connection, one) for one in found.service_events
        )
        counts["limits"] = Counter(limits.upsert_limit(connection, one) for one in found.limits)
        counts["actions"] = Counter(limits.upsert_step(connection, one) for one in found.actions)
        return FleetReport(
            {name: Counter(counted) for name, counted in counts.items()}, _left(connection, found)
        )


_SOURCES = {"laboratories": SourceKind.LABORATORY, "instruments": SourceKind.INSTRUMENT}


def _refuse_changed_kinds(connection: Connection, found: FleetFile, filename: str) -> None:
    """Samples say who measured: an instrument must not become a laboratory afterwards."""
    before = {source.code: source.kind for source in fleet.all_sources(connection)}
    section = {kind: name for name, kind in _SOURCES.items()}
    problems = [
        FleetProblem(
            filename,
            found.source_lines[source.code],
            f"{section[source.kind]}.code",
            f"{source.code!r} is already registered among the {section[before[source.code]]}; choose another",
        )
        for source in found.sources
        if before.get(source.code, source.kind) is not source.kind
    ]
    if problems:
        raise FleetFileError(problems)


def _left(connection: Connection, found: FleetFile) -> dict[str, tuple[str, ...]]:
    """What is registered and not named, by section; sections with nothing left over are left out."""

    def rest(registered: Iterable[str], named: Iterable[str]) -> tuple[str, ...]:
        return tuple(sorted(set(registered) - set(named)))

    sources = [source.code for source in found.sources]
    left = {
        "sites": rest((s.code for s in fleet.all_sites(connection)), (s.code for s in found.sites)),
        "assets": rest((a.code for a in fleet.all_assets(connection)), (a.code for a in found.assets)),
        **{
            section: rest((s.code for s in fleet.all_sources(connection, kind)), sources)
            for section, kind in _SOURCES.items()
        },
        "contacts": rest((c.code for c in fleet.all_contacts(connection)), (c.code for c in found.contacts)),
    }
    return {section: codes for section, codes in left.items() if codes}
