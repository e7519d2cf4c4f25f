"""What the upload page needs to know: the laboratories, and the time zone of each asset in a file."""

from app.store.database import Database
from app.store.views import laboratories, units


def laboratory_choices(database: Database) -> list[tuple[str, str]]:
    """(code, name) of every registered laboratory, by name."""
    with database.read() as connection:
        return laboratories(connection)


def asset_zones(database: Database) -> dict[str, str]:
    """Asset code to the time zone of its site."""
    with database.read() as connection:
        return {unit.asset.code: unit.site.time_zone for unit in units(connection)}
