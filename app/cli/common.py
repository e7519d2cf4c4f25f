"""What the commands share: options, settings, the database, what they print, and how they fail."""

import json
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, NoReturn

import typer

if TYPE_CHECKING:
    from app.config import Settings
    from app.store.database import ConnectionOptions, Database

EXIT_CODES: Final = (
    "Exit codes, unless a command says otherwise: 0 done; 1 refused or failed, with the reason on standard error;"
    " 2 called wrongly; 130 ended by Ctrl-C."
)
DatabaseUrl = Annotated[
    str | None,
    typer.Option("--database", metavar="URL", help="The database, in place of ULLAGE_DATABASE_URL."),
]
SettingsFile = Annotated[
    Path | None,
    typer.Option(
        "--settings", metavar="FILE", help="Read settings from this TOML file and not from ullage.toml."
    ),
]
ServerUrl = Annotated[str, typer.Option(metavar="URL", help="Address of the server.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print the outcome as JSON, for programs.")]
Author = Annotated[str, typer.Option(help="Who says so; kept with what is done.")]
ExistingFile = Annotated[Path, typer.Argument(metavar="FILE", exists=True, dir_okay=False, readable=True)]


def fail(reason: str) -> NoReturn:
    """End the command: the reason on standard error, exit code 1."""
    typer.echo(reason, err=True)
    raise typer.Exit(1)


@contextmanager
def failing_on(*errors: type[Exception], before: str = "") -> Iterator[None]:
    """What the block raises of these ends the command: ``before`` and the error's own words are the reason."""
    try:
        yield
    except errors as error:
        fail(f"{before}{error}")


@contextmanager
def reading_utf8(file: Path) -> Iterator[None]:
    """A file that is read in the block and is no UTF-8 ends the command."""
    try:
        yield
    except UnicodeDecodeError as error:
        fail(f"{file}: is not UTF-8 text (byte {error.start}); save it as UTF-8")


def show(outcome: Mapping[Any, Any] | Sequence[Any], lines: Iterable[str], *, as_json: bool) -> None:
    """Print an outcome: as one JSON document, or in lines for people."""
    if as_json:
        typer.echo(json.dumps(outcome, ensure_ascii=False, indent=1, default=_as_text))
        return
    for line in lines:
        typer.echo(line)


def _as_text(value: object) -> str:
    """Times and dates in ISO 8601."""
    return value.isoformat().replace("+00:00", "Z") if isinstance(value, datetime) else str(value)


def settings_of(file: Path | None, **options: object) -> "Settings":
    """The settings of this call; an option that is None was not given."""
    from app.config import OptionError, SettingsError, load_settings, settings_file

    try:
        return load_settings(file=settings_file(file), options=options)
    except OptionError as error:
        raise typer.BadParameter(str(error)) from None
    except SettingsError as error:
        fail(str(error))


def record(
    database: str | None, settings: Path | None, *, ready: bool = True
) -> AbstractContextManager["Database"]:
    """The database of the options ``--database`` and ``--settings``, as :func:`opened`."""
    return opened(settings_of(settings, database_url=database).database_url, ready=ready)


@contextmanager
def opened(url: str, *, ready: bool = True) -> Iterator["Database"]:
    """A database; its trouble ends the command.

    Args:
        ready: at the newest revision: SQLite is brought there, PostgreSQL refused.
    """
    from app.store.keeping import migrate
    from app.store.trouble import STORE_ERRORS, WORDS, reason_of, trouble_of

    with failing_on(migrate.DatabaseUnusableError):
        database = migrate.open_ready(url) if ready else migrate.open_database(url)
    try:
        yield database
    except STORE_ERRORS as error:
        trouble = trouble_of(error)
        if trouble is None:
            raise
        fail(
            f"{WORDS[trouble]} ({reason_of(error)}); the command has ended where it was."
            " What it had not finished is not stored: run it again"
        )
    finally:
        database.dispose()


@contextmanager
def waited_for(
    settings: "Settings", stop: threading.Event, say: Callable[[str, float], None] | None = None
) -> Iterator["Database"]:
    """A server's database, at the newest revision. While PostgreSQL is away it is waited for; ``stop`` ends the command
    then, with exit code 0. Statements are bounded in time and may read a replica.

    Args:
        say: told why it waits, and for how many seconds; the log otherwise.
    """
    from app.jobs import patience
    from app.store.keeping.migrate import DatabaseUnusableError

    with failing_on(DatabaseUnusableError):
        database = patience.wait_for_database(
            settings.database_url, connection_options(settings), stop, say or patience.log_wait
        )
    if database is None:
        raise typer.Exit(0)
    try:
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


def time_of(option: str, text: str | None) -> datetime | None:
    """A time with offset, as the option's value."""
    if text is None:
        return None
    from app.intake.iso_time import iso_time
    from app.intake.validate import ImpossibleError

    try:
        return iso_time(text)
    except ImpossibleError as error:
        raise typer.BadParameter(f"{option}: {error}") from None
