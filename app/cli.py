"""The ``ullage`` command. Each command is a few lines: it reads settings and the clock and calls a service.

Heavy modules are imported inside the commands, so that ``ullage --help`` answers at once.
Exit codes: 0 done, 1 refused or failed (the reason is on standard error), 2 the call's words are off.
"""

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

if TYPE_CHECKING:
    from app.config import Settings
    from app.store.database import Database

app = typer.Typer(no_args_is_help=True, add_completion=False, help="Dissolved gas trend analysis.")
db_app = typer.Typer(no_args_is_help=True, help="The database.")
fleet_app = typer.Typer(no_args_is_help=True, help="Sites, assets, instruments, laboratories, contacts.")
key_app = typer.Typer(no_args_is_help=True, help="Keys for posting and registering.")
mail_app = typer.Typer(no_args_is_help=True, help="Mail.")
app.add_typer(db_app, name="db")
app.add_typer(fleet_app, name="fleet")
app.add_typer(key_app, name="key")
app.add_typer(mail_app, name="mail")

ExistingFile = Annotated[Path, typer.Argument(exists=True, dir_okay=False, readable=True)]


def _fail(reason: str) -> NoReturn:
    typer.echo(reason, err=True)
    raise typer.Exit(1)


def _settings() -> "Settings":
    from app.config import SettingsError, load_settings

    try:
        return load_settings()
    except SettingsError as error:
        _fail(str(error))


@contextmanager
def _database(*, migrated: bool = True) -> Iterator["Database"]:
    """The database of the settings. SQLite is brought up to date by itself, PostgreSQL on demand only."""
    from app.store import migrate

    try:
        database = migrate.open_database(_settings().database_url)
    except migrate.DatabaseUnusableError as error:
        _fail(str(error))
    try:
        if migrated and not migrate.is_up_to_date(database):
            if not database.is_sqlite:
                _fail("the database is not up to date: run `ullage db upgrade`")
            migrate.upgrade(database)
        yield database
    finally:
        database.dispose()


@app.command()
def serve() -> None:
    """Run the server on the settings in the environment, with the worker inside unless it is switched off."""
    import signal
    import threading

    import uvicorn

    from app.jobs import worker
    from app.web.app import create_app

    settings = _settings()
    # uvicorn ends in good order and then raises the signal again, which would leave the worker in mid-turn
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    with _database() as database:
        stop = threading.Event()
        thread = threading.Thread(target=worker.run, args=(database, settings, stop), name="worker")
        if settings.embedded_worker:
            thread.start()
        try:
            uvicorn.run(
                create_app(settings, database),
                host=settings.host,
                port=settings.port,
                log_level=settings.log_level.lower(),
                access_log=settings.log_level == "DEBUG",
            )
        finally:
            stop.set()
            if settings.embedded_worker:
                thread.join(timeout=10)


@app.command()
def worker() -> None:
    """Run the worker by itself: it sends the mail that is due. Ends on SIGINT or SIGTERM."""
    import threading

    from app.demo.stopping import stopping_on_signals
    from app.jobs import worker as job

    stop = threading.Event()
    with stopping_on_signals(stop), _database() as database:
        job.run(database, _settings(), stop)


@db_app.command()
def upgrade() -> None:
    """Bring the database to the newest schema."""
    from app.store import migrate

    with _database(migrated=False) as database:
        migrate.upgrade(database)
        typer.echo(f"the database is at revision {migrate.current_revision(database)}")


@fleet_app.command("load")
def fleet_load(file: ExistingFile) -> None:
    """Register the fleet that a YAML file describes. Loading it again changes nothing."""
    from app.services.load_fleet import FleetFileError, load_fleet

    try:
        text = file.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        _fail(f"{file}: is not UTF-8 text (byte {error.start}); save it as UTF-8")
    with _database() as database:
        try:
            report = load_fleet(database, text, str(file))
        except FleetFileError as error:
            _fail(f"{error}\nnothing was stored: mend the file and load it again")
    for section, counts in report.counts.items():
        words = ", ".join(f"{n} {result}" for result, n in sorted(counts.items())) or "none"
        typer.echo(f"{section.replace('_', ' ')}: {words}")
    for section, codes in report.not_named.items():
        typer.echo(f"registered and not named in the file, kept as they are: {section} {', '.join(codes)}")


@key_app.command("issue")
def key_issue(
    instrument: Annotated[
        str | None, typer.Option(help="Code of the instrument that will post with it.")
    ] = None,
    registrar: Annotated[
        bool, typer.Option("--registrar", help="A key that may register the fleet.")
    ] = False,
) -> None:
    """Issue a key. It is printed this once and stored as a digest."""
    from app.services import register

    if (instrument is None) == (not registrar):
        raise typer.BadParameter("give either --instrument CODE or --registrar")
    now = datetime.now(UTC)
    with _database() as database:
        try:
            if instrument is None:
                typer.echo(register.issue_registrar_key(database, now))
            else:
                typer.echo(register.issue_instrument_key(database, instrument, now))
        except register.UnknownReferenceError as error:
            _fail(f"{error}; register it first, for instance with `ullage fleet load`")


@app.command("import")
def import_command(
    file: ExistingFile,
    laboratory: Annotated[str, typer.Option(help="Code of the laboratory that wrote the file.")],
    author: Annotated[str, typer.Option(help="Who imports it; kept with the file.")] = "command line",
    preview: Annotated[
        bool, typer.Option("--preview", help="Say what would happen and store nothing.")
    ] = False,
) -> None:
    """Import a laboratory's file: all of it or nothing of it."""
    from app.services import import_file as service
    from app.services.record_samples import RecordContext

    now, content, settings = datetime.now(UTC), file.read_bytes(), _settings()
    if len(content) > settings.max_upload_bytes:
        _fail(
            f"{file}: {len(content)} bytes; at most {settings.max_upload_bytes} are taken, see max_upload_bytes"
        )
    context = RecordContext(settings.public_url)
    with _database() as database:
        if preview:
            shown = service.preview(database, content, file.name, laboratory, now)
        else:
            shown = service.import_file(database, content, file.name, laboratory, author, now, context)
    for line in service.describe(shown):
        typer.echo(line)
    if shown.problems:
        _fail("nothing was stored: mend the lines named above and import the file again")


@app.command()
def interpret(
    file: ExistingFile,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a row.")] = False,
    brief: Annotated[
        bool, typer.Option("--brief", help="Without trends and probabilities: ten times faster.")
    ] = False,
) -> None:
    """Interpret a plain CSV (asset,taken_at,h2,... in µL/L) without any database."""
    from app.services.interpret import CsvError, interpret_csv

    try:
        with file.open(encoding="utf-8-sig", newline="") as text, _progress() as progress:
            for result in interpret_csv(text, progress, detailed=not brief):
                typer.echo(json.dumps(result, ensure_ascii=False) if as_json else _in_words(result))
    except CsvError as error:
        _fail(f"{file}:\n{error}")
    except UnicodeDecodeError as error:
        _fail(f"{file}: is not UTF-8 text (byte {error.start}); save it as UTF-8")


@app.command()
def explain(
    file: ExistingFile,
    row: Annotated[int, typer.Option(min=1, help="Row of the file, the first below the header being 1.")],
) -> None:
    """Print how one row of a plain CSV is judged, step by step, as a person would check it by hand."""
    from app.services.explain import explain_csv
    from app.services.interpret import CsvError

    try:
        with file.open(encoding="utf-8-sig", newline="") as text:
            for line in explain_csv(text, row):
                typer.echo(line)
    except CsvError as error:
        _fail(f"{file}:\n{error}")


@contextmanager
def _progress() -> Iterator[Any]:
    """A bar on a terminal's standard error while the results go elsewhere; else nothing."""
    if not sys.stderr.isatty() or sys.stdout.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True)) as bar:
        task = bar.add_task("rows", total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def _in_words(result: dict[str, Any]) -> str:
    status = "no status" if result["status"] is None else f"status {result['status']}"
    confirm = ", confirmation sample asked for" if result["suspect"] else ""
    fault = f", {result['fault']['name']}" if result["fault"] else ""
    reasons = " ".join(result["status_reasons"])
    return f"{result['asset']} {result['taken_at']}: {status}{confirm}{fault}. {reasons}"


@app.command()
def reassess() -> None:
    """Judge all stored samples again under the current rules. Mails nobody and moves no alert."""
    from app.services.reassess import reassess as service

    with _database() as database:
        judged, changed = service(database, datetime.now(UTC))
    typer.echo(f"{judged} samples judged, {changed} assessments changed")


@mail_app.command("test")
def mail_test(to: Annotated[str, typer.Option(help="Address to send to.")]) -> None:
    """Send a real message, marked as a test, the way alert mails go."""
    from app.jobs.mail_test import send_test_mail
    from app.notify.transport import DeliveryError

    try:
        typer.echo(send_test_mail(_settings(), to, datetime.now(UTC)))
    except DeliveryError as error:
        _fail(f"not sent: {error}")


@app.command()
def simulate(
    key: Annotated[str, typer.Option(help="The instrument's key.")],
    story: Annotated[
        str, typer.Option(help="What to play; a wrong name lists the stories.")
    ] = "developing-thermal",
    url: Annotated[str, typer.Option(help="Address of the server.")] = "http://127.0.0.1:8750",
    speed: Annotated[
        float | None, typer.Option(help="Times real time, until it reaches the present.")
    ] = None,
) -> None:
    """Play an instrument of the demo's fleet: it posts readings over HTTP, faster than real time."""
    import threading

    from app.demo.poster import PostError
    from app.demo.simulate import DEFAULT_SPEED, Playback, play
    from app.demo.stopping import stopping_on_signals

    stop = threading.Event()
    try:
        playback = Playback(url, key, story, datetime.now(UTC), DEFAULT_SPEED if speed is None else speed)
        with stopping_on_signals(stop):
            play(playback, stop, typer.echo)
    except (ValueError, PostError) as error:
        _fail(str(error))


@app.command()
def demo(
    folder: Annotated[Path, typer.Option(help="Where its database and mail go.")] = Path("var/demo"),
    port: Annotated[int, typer.Option(min=1, max=65535, help="Port of its server.")] = 8750,
    keep: Annotated[bool, typer.Option("--keep", help="Go on with the database of the last time.")] = False,
) -> None:
    """Run the demonstration: a fictional fleet, judged while you watch. Ctrl-C ends it."""
    from app.demo.command import DemoError, DemoOptions, run_demo

    try:
        run_demo(DemoOptions(port=port, folder=folder, keep=keep), typer.echo)
    except DemoError as error:
        _fail(str(error))


def main() -> None:
    app()
