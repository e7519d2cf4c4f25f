"""What the upload page needs to know: the laboratories, the units, and the time zone of each asset in a file."""

from dataclasses import dataclass

from app.domain.model import Asset, Site
from app.store.database import Database
from app.store.views import all_sites, laboratories, units


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
