"""The revisions make exactly the schema of tables.py, on both databases."""

from app.store import migrate
from app.store.database import Database


def test_migrated_database_is_what_the_tables_say(database: Database) -> None:
    assert migrate.is_up_to_date(database)
    assert migrate.differences(database) == []


def test_upgrading_again_changes_nothing(database: Database) -> None:
    before = migrate.current_revision(database)
    migrate.upgrade(database)
    assert migrate.current_revision(database) == before


def test_an_empty_database_is_not_up_to_date(tmp_path: object) -> None:
    database = Database(f"sqlite:///{tmp_path}/new.db")
    assert migrate.current_revision(database) is None
    assert not migrate.is_up_to_date(database)
    database.dispose()
