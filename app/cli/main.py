"""The ``ullage`` command. Each command is a few lines: it reads settings and the clock and calls a service.

Heavy modules are imported inside the commands, so that ``ullage --help`` answers at once.
Exit codes: 0 done, 1 refused or failed (the reason is on standard error), 2 the call's words are off.
"""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from app.cli.common import ExistingFile, fail, open_database, rows_bar, settings_or_fail
from app.cli.db import backup_command, db_app, restore_command
from app.cli.files import export_command, import_command
from app.cli.instrument import instrument_app
from app.cli.keys import key_app
from app.cli.send import send_command
from app.cli.serve import serve

app = typer.Typer(no_args_is_help=True, add_completion=False, help="Dissolved gas trend analysis.")
fleet_app = typer.Typer(no_args_is_help=True, help="Sites, assets, instruments, laboratories, contacts.")
mail_app = typer.Typer(no_args_is_help=True, help="Mail.")
app.add_typer(db_app, name="db")
app.add_typer(fleet_app, name="fleet")
app.add_typer(key_app, name="key")
app.add_typer(instrument_app, name="instrument")
app.add_typer(mail_app, name="mail")

app.command()(serve)
app.command("backup")(backup_command)
app.command("restore")(restore_command)
app.command("import")(import_command)
app.command("export")(export_command)
app.command("send")(send_command)


@app.command()
def worker() -> None:
    """Run the worker by itself: it sends the mail that is due. Ends on SIGINT or SIGTERM."""
    import threading

    from app.jobs import logging_setup
    from app.jobs.background import running_worker
    from app.signals import stopping_on_signals

    settings = settings_or_fail()
    stop = threading.Event()
    with stopping_on_signals(stop), open_database(serving=True) as database:
        logging_setup.configure(settings.log_level)
        with running_worker(database, settings, stop):
            stop.wait()


@fleet_app.command("load")
def fleet_load(file: ExistingFile) -> None:
    """Register the fleet that a YAML file describes. Loading it again changes nothing."""
    from app.services.registering.load_fleet import FleetFileError, load_fleet

    try:
        text = file.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        fail(f"{file}: is not UTF-8 text (byte {error.start}); save it as UTF-8")
    with open_database() as database:
        try:
            report = load_fleet(database, text, str(file), datetime.now(UTC))
        except FleetFileError as error:
            fail(f"{error}\nnothing was stored: mend the file and load it again")
    for section, counts in report.counts.items():
        words = ", ".join(f"{n} {result}" for result, n in sorted(counts.items())) or "none"
        typer.echo(f"{section.replace('_', ' ')}: {words}")
    for section, codes in report.not_named.items():
        typer.echo(f"registered and not named in the file, kept as they are: {section} {', '.join(codes)}")
    again = report.judged_again
    if again.samples:
        typer.echo(
            f"judged again: {again.samples} samples, {again.changed} assessments changed,"
            f" {again.alerts} alerts eased or returned; nobody was mailed"
        )


@app.command()
def interpret(
    file: ExistingFile,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a row.")] = False,
    brief: Annotated[
        bool, typer.Option("--brief", help="Without trends and probabilities: ten times faster.")
    ] = False,
) -> None:
    """Interpret a plain CSV (asset,taken_at,h2,... in µL/L) without any database."""
    from app.services.judging.interpret import CsvError, interpret_csv

    try:
        with file.open(encoding="utf-8-sig", newline="") as text, rows_bar() as progress:
            for result in interpret_csv(text, progress, detailed=not brief):
                typer.echo(json.dumps(result, ensure_ascii=False) if as_json else _in_words(result))
    except CsvError as error:
        fail(f"{file}:\n{error}")
    except UnicodeDecodeError as error:
        fail(f"{file}: is not UTF-8 text (byte {error.start}); save it as UTF-8")


@app.command()
def explain(
    file: Annotated[Path | None, typer.Argument(exists=True, dir_okay=False, help="A plain CSV.")] = None,
    row: Annotated[
        int | None, typer.Option(min=1, help="Row of the file, the first below the header being 1.")
    ] = None,
    sample: Annotated[int | None, typer.Option(min=1, help="Or the id of a stored sample.")] = None,
) -> None:
    """Print how one sample is judged, step by step, as a person would check it by hand."""
    from app.services.judging.explain import UnknownSampleError, explain_csv, explain_sample
    from app.services.judging.interpret import CsvError

    if (file is None) == (sample is None) or (file is None) != (row is None):
        raise typer.BadParameter("give either FILE and --row N, or --sample ID")
    try:
        if file is not None and row is not None:
            with file.open(encoding="utf-8-sig", newline="") as text:
                lines = list(explain_csv(text, row))
        else:
            with open_database() as database:
                lines = list(explain_sample(database, sample or 0))
    except CsvError as error:
        fail(f"{file}:\n{error}")
    except (UnknownSampleError, UnicodeDecodeError) as error:
        fail(str(error))
    for line in lines:
        typer.echo(line)


def _in_words(result: dict[str, Any]) -> str:
    status = "no status" if result["status"] is None else f"status {result['status']}"
    confirm = ", confirmation sample asked for" if result["suspect"] else ""
    fault = f", {result['fault']['name']}" if result["fault"] else ""
    reasons = " ".join(result["status_reasons"])
    return f"{result['asset']} {result['taken_at']}: {status}{confirm}{fault}. {reasons}"


@app.command()
def reassess() -> None:
    """Judge all stored samples again under the current rules. Mails nobody and moves no alert."""
    from app.services.rejudging.reassess import reassess as service

    with open_database() as database:
        judged, changed = service(database, datetime.now(UTC))
    typer.echo(f"{judged} samples judged, {changed} assessments changed")


@mail_app.command("test")
def mail_test(to: Annotated[str, typer.Option(help="Address to send to.")]) -> None:
    """Send a real message, marked as a test, the way alert mails go."""
    from app.jobs.mail_test import send_test_mail
    from app.notify.transport import DeliveryError

    try:
        typer.echo(send_test_mail(settings_or_fail(), to, datetime.now(UTC)))
    except DeliveryError as error:
        fail(f"not sent: {error}")


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
    spool: Annotated[
        Path | None, typer.Option(help="Folder of what is not delivered yet; a temporary one without it.")
    ] = None,
) -> None:
    """Play an instrument of the demo's fleet: it posts readings over HTTP, faster than real time."""
    import threading

    from app.demo.simulate import DEFAULT_SPEED, Playback, play
    from app.sender.errors import SenderError
    from app.signals import stopping_on_signals

    stop = threading.Event()
    try:
        pace = DEFAULT_SPEED if speed is None else speed
        playback = Playback(url, key, story, datetime.now(UTC), pace, spool=spool)
        with stopping_on_signals(stop):
            play(playback, stop, typer.echo)
    except (ValueError, SenderError) as error:
        fail(str(error))


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
        fail(str(error))


def main() -> None:
    app()
