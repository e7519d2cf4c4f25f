"""Register a whole fleet from a file: all or nothing, and a second time changes nothing."""

from collections import Counter
from dataclasses import dataclass, field

from app.intake.fleet_file import FleetFileError, parse_fleet
from app.store import events, fleet, limits
from app.store.database import Database

__all__ = ["FleetFileError", "FleetReport", "load_fleet"]


@dataclass(frozen=True)
class FleetReport:
    """How many entries of each section were created, changed and left as they were."""

    counts: dict[str, Counter[str]] = field(default_factory=dict)

    def total(self, result: str) -> int:
        """Entries over all sections that were ``created``, ``changed`` or ``unchanged``."""
        return sum(counter[result] for counter in self.counts.values())


def load_fleet(database: Database, text: str, filename: str) -> FleetReport:
    """Register what a fleet file describes, in one transaction. Nothing is ever removed.

    Raises:
        FleetFileError: with every problem of the file, each naming file, line and field; nothing is stored then.
    """
    found = parse_fleet(text, filename)
    report = FleetReport({name: Counter() for name in _SECTIONS})
    with database.write() as connection:
        for site in found.sites:
            report.counts["sites"][fleet.upsert_site(connection, site)] += 1
        for asset in found.assets:
            report.counts["assets"][fleet.upsert_asset(connection, asset)] += 1
        for compartment in found.compartments:
            report.counts["compartments"][fleet.upsert_compartment(connection, compartment)] += 1
        for source in found.sources:
            section = "instruments" if source.asset_code else "laboratories"
            report.counts[section][fleet.upsert_source(connection, source)] += 1
        for contact in found.contacts:
            report.counts["contacts"][fleet.upsert_contact(connection, contact)] += 1
        for event in found.service_events:
            report.counts["service_events"][events.upsert_event(connection, event)] += 1
        for limit in found.limits:
            report.counts["limits"][limits.upsert_limit(connection, limit)] += 1
    return report


_SECTIONS = (
    "sites",
    "assets",
    "compartments",
    "laboratories",
    "instruments",
    "contacts",
    "service_events",
    "limits",
)
