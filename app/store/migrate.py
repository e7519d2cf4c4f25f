"""Bring a database to the newest schema. The revisions stand in the top-level ``migrations`` package."""

from pathlib import Path

from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

import migrations
from app.store.database import Database
from app.store.tables import metadata


def _config() -> Config:
    config = Config()
    # the package is found wherever it is installed; no ini file, so no setting hides in one
    config.set_main_option("script_location", str(Path(migrations.__file__).parent).replace("%", "%%"))
    return config


def upgrade(database: Database) -> None:
    """Apply all revisions that are missing, in one transaction."""
    config = _config()
    with database.write() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "head")


def current_revision(database: Database) -> str | None:
    """The revision a database is at, or None when it is empty."""
    with database.engine.connect() as connection:
        return MigrationContext.configure(connection).get_current_revision()


def is_up_to_date(database: Database) -> bool:
    return current_revision(database) == ScriptDirectory.from_config(_config()).get_current_head()


def differences(database: Database) -> list[object]:
    """What autogeneration would change: empty when the schema is what ``tables.py`` says."""
    with database.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        return list(compare_metadata(context, metadata))
