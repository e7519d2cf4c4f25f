"""The revisions make exactly the schema of tables.py, on both databases, wherever the program is installed."""

import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic import command
from fleet_cast import PROJECT

from app.store.database import Database
from app.store.keeping import migrate
from app.store.schema import metadata


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


def test_a_difference_would_be_seen(database: Database) -> None:
    with database.write() as connection:
        connection.exec_driver_sql("DROP INDEX ix_samples_compartment_id_taken_at")
        connection.exec_driver_sql("ALTER TABLE sites ADD COLUMN altitude INTEGER")
    changes = [change[0] for change in migrate.differences(database) if isinstance(change, tuple)]
    assert sorted(changes) == ["add_index", "remove_column"]


def test_every_constraint_has_a_name_that_a_later_revision_can_use(database: Database) -> None:
    inspector = sa.inspect(database.engine)
    with database.engine.connect():
        for table in metadata.tables:
            names = [inspector.get_pk_constraint(table)["name"]]
            names += [key["name"] for key in inspector.get_foreign_keys(table)]
            names += [unique["name"] for unique in inspector.get_unique_constraints(table)]
            for name in names:
                assert name, f"a constraint of {table} has no name"
                assert table in name


def test_going_back_to_nothing_leaves_nothing(database: Database) -> None:
    config = migrate._config()
    with database.write() as connection:
        config.attributes["connection"] = connection
        command.downgrade(config, "base")
    assert set(sa.inspect(database.engine).get_table_names()) <= {"alembic_version"}
    assert migrate.current_revision(database) is None
    migrate.upgrade(database)
    assert migrate.differences(database) == []


def test_a_revision_that_fails_leaves_the_database_as_it_was(tmp_path: Path) -> None:
    database = Database(f"sqlite:///{tmp_path}/new.db")
    with database.write() as connection:
        connection.exec_driver_sql("CREATE TABLE messages (id INTEGER)")  # in the way of the revision's own
    with pytest.raises(sa.exc.OperationalError, match="already exists"):
        migrate.upgrade(database)
    assert sa.inspect(database.engine).get_table_names() == ["messages"]
    database.dispose()


def test_an_installed_program_finds_its_revisions(tmp_path: Path) -> None:
    """Laid out as the wheel lays it out: the packages that pyproject.toml names, and nothing else."""
    project = tomllib.loads((PROJECT / "pyproject.toml").read_text(encoding="utf-8"))
    for package in project["tool"]["hatch"]["build"]["targets"]["wheel"]["packages"]:
        shutil.copytree(PROJECT / package, tmp_path / "site" / package)
    (tmp_path / "elsewhere").mkdir()
    program = (
        "import sys, app, migrations\n"
        "from app.cli.main import main\n"
        "print(app.__file__, migrations.__file__, file=sys.stderr)\n"
        "sys.argv = ['ullage', 'db', 'upgrade']\n"
        "main()\n"
    )
    inherited = {k: v for k, v in os.environ.items() if not k.startswith("ULLAGE_")}
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=tmp_path / "elsewhere",
        env={**inherited, "PYTHONPATH": str(tmp_path / "site"), "ULLAGE_DATABASE_URL": "sqlite:///record.db"},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr.split() == [
        str(tmp_path / "site" / package / "__init__.py") for package in ("app", "migrations")
    ]
    database = Database(f"sqlite:///{tmp_path / 'elsewhere' / 'record.db'}")
    assert migrate.differences(database) == []
    database.dispose()
