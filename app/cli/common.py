"""What the commands share: settings, the database, progress on a terminal, and how a command fails."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

if TYPE_CHECKING:
    from app.config import Settings
    from app.store.database import ConnectionOptions, Database

ExistingFile = Annotated[Path, typer.Argument(exists=True, dir_okay=False, readable=True)]


def fail(reason: str) -> NoReturn:
    """End the command: the reason on standard error, exit code 1."""
    typer.echo(reason, err=True)
    raise typer.Exit(1)


def settings_or_fail() -> "Settings":
    """The settings of the settings file and the environment."""
    from app.config import SettingsError, load_settings, settings_file

    try:
        return load_settings(file=settings_file())
    except SettingsError as error:
        fail(str(error))


@contextmanager
def open_database(*, migrated: bool = True, serving: bool = False) -> Iterator["Database"]:
    """The database of the settings. SQLite is brought up to date by itself, PostgreSQL on demand only.

    Statements of a server are bounded in time and may read a replica; those of a command are not and do not.
    """
    from app.store.keeping import migrate

    settings = settings_or_fail()
    options = connection_options(settings) if serving else None
    try:
        database = migrate.open_database(settings.database_url, options)
    except migrate.DatabaseUnusableError as error:
        fail(str(error))
    try:
        if migrated and not migrate.is_up_to_date(database):
            if not database.is_sqlite:
                fail("the database is not up to date: run `ullage db upgrade`")
            migrate.upgrade(database)
        yield database
    finally:
        database.dispose()


def connection_options(settings: "Settings") -> "ConnectionOptions":
    """How a server connects to PostgreSQL."""
    from app.store.database import ConnectionOptions

    return ConnectionOptions(
        read_url=settings.read_database_url,
        pool_size=settings.database_pool_size,
        statement_seconds=settings.database_statement_seconds,
    )


@contextmanager
def rows_bar() -> Iterator[Callable[[int, int], None] | None]:
    """A bar on a terminal's standard error while the results go elsewhere; else nothing."""
    if sys.stdout.isatty():
        yield None
        return
    with stages_bar() as tell:
        yield None if tell is None else lambda done, total: tell("rows", done, total)


@contextmanager
def stages_bar() -> Iterator[Callable[[str, int, int], None] | None]:
    """A bar for each stage of a long work, on standard error where that is a terminal; else nothing."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress, TaskID

    with Progress(console=Console(stderr=True)) as bar:
        tasks: dict[str, TaskID] = {}

        def tell(stage: str, done: int, total: int) -> None:
            if stage not in tasks:
                tasks[stage] = bar.add_task(stage, total=total)
            bar.update(tasks[stage], completed=done, total=total)

        yield tell
