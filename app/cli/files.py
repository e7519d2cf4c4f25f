"""``ullage import`` and ``ullage export``: laboratory files in, samples, assessments and alerts out."""

import sys
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from app.cli.common import fail, open_database, settings_or_fail, stages_bar

if TYPE_CHECKING:
    from app.services.files.import_outcome import ImportChoices, ImportPreview
    from app.services.files.watch_folder import Taken
    from app.store.database import Database


class ExportKind(StrEnum):
    SAMPLES = "samples"
    ASSESSMENTS = "assessments"
    ALERTS = "alerts"


class ExportFormat(StrEnum):
    CSV = "csv"
    XLSX = "xlsx"
    PARQUET = "parquet"


def import_command(
    laboratory: Annotated[str, typer.Option(help="Code of the laboratory that wrote the files.")],
    files: Annotated[
        list[Path] | None, typer.Argument(exists=True, dir_okay=False, readable=True, metavar="FILE...")
    ] = None,
    author: Annotated[str, typer.Option(help="Who imports; kept with each file.")] = "command line",
    preview: Annotated[
        bool, typer.Option("--preview", help="Say what would happen and store nothing.")
    ] = False,
    profile: Annotated[
        str | None, typer.Option(help="Read by this profile instead of the laboratory's own.")
    ] = None,
    unit: Annotated[
        list[str] | None,
        typer.Option(help="TEXT=CODE: what the file calls TEXT is the unit CODE. Repeatable."),
    ] = None,
    watch: Annotated[
        Path | None,
        typer.Option(
            exists=True, file_okay=False, help="Import whatever arrives in this folder, until stopped."
        ),
    ] = None,
    every: Annotated[float, typer.Option(min=0.1, help="Seconds between two looks into the folder.")] = 5.0,
) -> None:
    """Import laboratory files: all of each or nothing of it. Exit code 1 when any could not be imported."""
    choices = _choices(profile, unit or [])
    if (watch is None) == (not files):
        raise typer.BadParameter("give either files or --watch FOLDER")
    with open_database() as database:
        if watch is not None:
            _watch(database, watch, laboratory, author, every, choices)
            return
        shown = [
            _import(database, file, laboratory, author, choices, preview=preview) for file in files or []
        ]
    refused = [one.filename for one in shown if one is not None and one.problems]
    if refused or None in shown:
        fail(
            f"nothing was stored of {', '.join(refused) or 'it'}: mend the lines named above and import again"
        )


def _choices(profile: str | None, units: list[str]) -> "ImportChoices":
    from app.intake.files.profile import ProfileError, load_profile
    from app.services.files.import_outcome import ImportChoices

    pairs = [text.rpartition("=") for text in units]
    if any(not text or not code for text, _, code in pairs):
        raise typer.BadParameter("write --unit TEXT=CODE")
    try:
        read_by = None if profile is None else load_profile(profile)
    except ProfileError as error:
        fail(str(error))
    return ImportChoices(read_by, {text: code for text, _, code in pairs})


def _import(
    database: "Database",
    file: Path,
    laboratory: str,
    author: str,
    choices: "ImportChoices",
    *,
    preview: bool,
) -> "ImportPreview | None":
    """What became of a file, told line by line; None when it is too large to be read at all."""
    from dataclasses import replace

    from app.services.files import import_file as service
    from app.services.recording.record_samples import BatchTerms

    settings, size = settings_or_fail(), file.stat().st_size
    if size > settings.max_upload_bytes:
        typer.echo(
            f"{file}: {size} bytes; at most {settings.max_upload_bytes} are taken, see ULLAGE_MAX_UPLOAD_BYTES",
            err=True,
        )
        return None
    with stages_bar() as progress:
        told = replace(choices, progress=progress)
        content, now = file.read_bytes(), datetime.now(UTC)
        if preview:
            done = service.preview(database, content, file.name, laboratory, now, told)
        else:
            context = BatchTerms(settings.public_url)
            done = service.import_file(database, content, file.name, laboratory, author, now, context, told)
    for line in service.describe(done):
        typer.echo(line)
    return done


def _watch(
    database: "Database",
    folder: Path,
    laboratory: str,
    author: str,
    every: float,
    choices: "ImportChoices",
) -> None:
    import signal
    import threading

    from app.jobs import watch as job
    from app.services.files.watch_folder import Watch
    from app.services.recording.record_samples import BatchTerms

    settings = settings_or_fail()
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    context = BatchTerms(settings.public_url)
    watched = Watch(folder, laboratory, author, settings.max_upload_bytes, context, choices)
    typer.echo(f"watching {folder} for files of {laboratory}; Ctrl-C ends it")
    try:
        job.run(database, watched, stop, every, _tell_taken)
    except OSError as error:
        fail(f"stopped: {error}; what was not moved is still in {folder} and is imported at the next start")


def _tell_taken(taken: "Taken") -> None:
    for line in taken.lines:
        typer.echo(line)
    typer.echo(f"{taken.name}: {taken.fate}, now {taken.moved_to}")


def export_command(
    kind: Annotated[ExportKind, typer.Argument(help="What to export.")],
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", help="File to write; standard output otherwise (CSV only)."),
    ] = None,
    asset: Annotated[str | None, typer.Option(help="Of one unit only.")] = None,
    site: Annotated[str | None, typer.Option(help="Of one site's units only.")] = None,
    form: Annotated[ExportFormat, typer.Option("--format", help="csv, xlsx or parquet.")] = ExportFormat.CSV,
) -> None:
    """Write samples, assessments or alerts to a file. Samples as CSV can be imported by the profile ullage."""
    from app.services.exporting.export_files import NoParquetError, export
    from app.services.exporting.export_tables import UnknownScopeError
    from app.store.exporting.exports import Scope

    if asset is not None and site is not None:
        raise typer.BadParameter("give --asset or --site, not both")
    if output is None and form is not ExportFormat.CSV:
        raise typer.BadParameter(f"{form.value} needs -o FILE")
    scope = Scope(asset, site)
    with open_database() as database:
        try:
            if output is None:
                export(database, kind.value, scope, form.value, sys.stdout.buffer)
                return
            # written beside the target and put in place when whole: a reader never sees half an export
            partial = output.with_name(f"{output.name}.part")
            with partial.open("wb") as out:
                count = export(database, kind.value, scope, form.value, out)
            partial.replace(output)
        except (UnknownScopeError, NoParquetError) as error:
            if output is not None:
                partial.unlink(missing_ok=True)
            fail(str(error))
        except OSError as error:
            fail(f"cannot write {output}: {error}")
    typer.echo(f"{output}: {count} {kind.value}")
