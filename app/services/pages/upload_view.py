"""What the upload page needs to know: the laboratories, the units, and the time zone of each asset in a file."""

from dataclasses import dataclass

from app.domain.model import Asset, Site
from app.services.files.import_outcome import ImportPreview
from app.store.database import Database
from app.store.files import import_effects
from app.store.files.import_effects import Exclusion
from app.store.pages.views import all_sites, laboratories, units
from app.store.registering import fleet, source_lookup


@dataclass(frozen=True, slots=True)
class UnitChoices:
    """Units that a text of a file may stand for, by the name of their site, and the sites for a new one."""

    by_site: dict[str, tuple[Asset, ...]]
    sites: tuple[Site, ...]


def laboratory_choices(database: Database) -> list[tuple[str, str]]:
    """(code, name) of every registered laboratory, by name."""
    with database.read() as connection:
        return laboratories(connection)


def asset_zones(database: Database) -> dict[str, str]:
    """Asset code to the time zone of its site."""
    with database.read() as connection:
        return {unit.asset.code: unit.site.time_zone for unit in units(connection)}


def unit_choices(database: Database) -> UnitChoices:
    """Every unit, and every site."""
    by_site: dict[str, dict[str, Asset]] = {}
    with database.read() as connection:
        for unit in units(connection):
            by_site.setdefault(unit.site.name, {})[unit.asset.code] = unit.asset
        sites = tuple(all_sites(connection))
    return UnitChoices({site: tuple(found.values()) for site, found in by_site.items()}, sites)


def known_but_excluded(database: Database, outcome: ImportPreview, most: int) -> dict[int, Exclusion]:
    """By line, the rows among the first ``most`` that are known already as a sample that does not count."""
    known = [row for row in outcome.rows[:most] if row.result == "already_known"]
    if not known:
        return {}
    with database.read() as connection:
        pairs = {(row.sample.asset_code, row.sample.compartment) for row in known}
        ids = fleet.compartment_ids(connection, pairs)
        sources = {
            code: source_lookup.find_source(connection, code)
            for code in {r.sample.source_code for r in known}
        }
        identities = {
            row.line: (ids[row.sample.asset_code, row.sample.compartment], source.id, row.sample.taken_at)
            for row in known
            if (source := sources[row.sample.source_code]) is not None
        }
        found = import_effects.excluded_at(connection, identities.values())
    return {line: found[identity] for line, identity in identities.items() if identity in found}


def units_decided(database: Database, laboratory: str) -> dict[str, str]:
    """Asset code by the text that a laboratory writes for it, as was decided at earlier imports: a proposal."""
    with database.read() as connection:
        return import_effects.units_decided(connection, laboratory)
