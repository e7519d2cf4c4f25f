"""``ullage import`` and ``ullage export``: laboratory files in, samples, assessments and alerts out."""

import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, BinaryIO

import typer

from app.cli.bars import bar, stages_bar
from app.cli.common import (
    AsJson,
    Author,
    DatabaseUrl,
    SettingsFile,
    fail,
    failing_on,
    opened,
    record,
    settings_of,
    show,
    waited_for,
)

if TYPE_CHECKING:
    from app.config import Settings
    from app.services.files.import_outcome import ImportChoices, ImportPreview
    from app.store.database import Database


class ExportKind(StrEnum):
    SAMPLES = "samples"
    ASSESSMENTS = "assessments"
    ALERTS = "alerts"


class ExportFormat(StrEnum):
    CSV = "csv"
    XLSX = "xlsx"
    PARQUET = "parquet"


@dataclass(frozen=True, slots=True)
class _Order:
    """What is to be imported how, but for the file."""

    laboratory: str
    author: str
    choices: "ImportChoices"
    settings: "Settings"


def import_command(
    laboratory: Annotated[
        str, typer.Option(metavar="CODE", help="Code of the laboratory that wrote the files.")
    ],
    files: Annotated[
        list[Path] | None, typer.Argument(exists=True, dir_okay=False, readable=True, metavar="FILE...")
    ] = None,
    author: Author = "command line",
    preview: Annotated[
        bool, typer.Option("--preview", help="Say what would happen and store nothing.")
    ] = False,
    profile: Annotated[
        str | None, typer.Option(metavar="NAME", help="Read by this profile, not the laboratory's own.")
    ] = None,
    unit: Annotated[
        list[str] | None,
        typer.Option(
            metavar="TEXT=CODE",
            help="What the file calls TEXT is the unit CODE. May be given again and again.",
        ),
    ] = None,
    watch: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER",
            exists=True,
            file_okay=False,
            help="Import whatever arrives in this folder, until stopped.",
        ),
    ] = None,
    every: Annotated[float, typer.Option(min=0.1, help="Seconds between two looks into the folder.")] = 5.0,
    url: DatabaseUrl = None,
    settings: SettingsFile = None,
    as_json: AsJson = False,
) -> None:
    """Import laboratory files: all of each or nothing of it. Exit code 1 when any could not be imported."""
    if (watch is None) == (not files):
        raise typer.BadParameter("give either files or --watch FOLDER")
    chosen = settings_of(settings, database_url=url)
    order = _Order(laboratory, author, _choices(profile, unit or []), chosen)
    if watch is not None:
        _watch(watch, order, every)
        return
    shown: list[ImportPreview] = []
    with opened(chosen.database_url) as database:
        for file in files or []:
            shown.append(_import(database, file, order, preview=preview))
            if not as_json:
                _print(shown[-1])
    if as_json:
        show([_as_object(one) for one in shown], (), as_json=True)
    refused = [one.filename for one in shown if one.problems]
    if refused:
        fail(f"nothing was stored of {', '.join(refused)}: mend the lines named above and import again")


def _choices(profile: str | None, units: list[str]) -> "ImportChoices":
    from app.intake.files.profile import ProfileError, load_profile
    from app.services.files.import_outcome import ImportChoices

    pairs = [text.rpartition("=") for text in units]
    if any(not text or not code for text, _, code in pairs):
        raise typer.BadParameter("write --unit TEXT=CODE")
    with failing_on(ProfileError):
        read_by = None if profile is None else load_profile(profile)
    return ImportChoices(read_by, {text: code for text, _, code in pairs})


def _import(database: "Database", file: Path, order: _Order, *, preview: bool) -> "ImportPreview":
    from app.domain.model import Rejection
    from app.services.files import import_file as service
    from app.services.files.import_outcome import too_large
    from app.services.recording.record_samples import BatchTerms

    size, most = file.stat().st_size, order.settings.max_upload_bytes
    if size > most:
        return service.ImportPreview(
            file.name, order.laboratory, problems=(Rejection("size", too_large(size, most)),)
        )
    with stages_bar() as progress:
        choices, content, now = (
            replace(order.choices, progress=progress),
            file.read_bytes(),
            datetime.now(UTC),
        )
        if preview:
            return service.preview(database, content, file.name, order.laboratory, now, choices)
        terms = BatchTerms(order.settings.public_url)
        return service.import_file(
            database, content, file.name, order.laboratory, order.author, now, terms, choices
        )


def _print(done: "ImportPreview") -> None:
    from app.services.files.import_outcome import describe

    for line in describe(done):
        typer.echo(line)


def _as_object(done: "ImportPreview") -> dict[str, Any]:
    units = [
        {
            "asset": unit.asset_code,
            "compartment": unit.compartment,
            "rows": unit.rows,
            "status_before": unit.status_before,
            "status_after": unit.status_after,
            "alerts": [
                {"condition": alert.condition, "from": alert.from_state, "to": alert.to_state}
                for alert in unit.alerts
            ],
        }
        for unit in done.effects
    ]
    return {
        "file": done.filename,
        "stored": getattr(done, "stored", False),
        "rows": done.counts,
        "problems": [
            {"line": one.line, "column": one.column, "field": one.field, "reason": one.reason}
            for one in done.problems
        ],
        "units": units,
    }


def _watch(folder: Path, order: _Order, every: float) -> None:
    from app.jobs import watch as job
    from app.services.files.watch_folder import Watch
    from app.services.recording.record_samples import BatchTerms
    from app.signals import stopping_on_signals

    settings, stop = order.settings, threading.Event()
    terms = BatchTerms(settings.public_url)
    watched = Watch(folder, order.laboratory, order.author, settings.max_upload_bytes, terms, order.choices)
    with stopping_on_signals(stop), waited_for(settings, stop, _say_wait) as database:
        typer.echo(f"watching {folder} for files of {order.laboratory}; Ctrl-C ends it")
        try:
            job.run(database, watched, stop, every, typer.echo)
        except OSError as error:
            fail(
                f"stopped: {error}; what was not moved is still in {folder} and is imported at the next start"
            )


def _say_wait(reason: str, seconds: float) -> None:
    typer.echo(f"{reason}; trying again in {seconds:g} s", err=True)


def export_command(
    kind: Annotated[ExportKind, typer.Argument(metavar="KIND", help="samples, assessments or alerts.")],
    output: Annotated[
        Path | None,
        typer.Option(
            "-o", "--output", metavar="FILE", help="File to write; standard output otherwise (CSV only)."
        ),
    ] = None,
    asset: Annotated[str | None, typer.Option(metavar="CODE", help="Of one unit only.")] = None,
    site: Annotated[str | None, typer.Option(metavar="CODE", help="Of one site's units only.")] = None,
    form: Annotated[ExportFormat, typer.Option("--format", help="csv, xlsx or parquet.")] = ExportFormat.CSV,
    url: DatabaseUrl = None,
    settings: SettingsFile = None,
) -> None:
    """Write samples, assessments or alerts to a file. "ullage import --profile ullage" reads samples in CSV back."""
    from app.services.exporting.export_files import NoParquetError, Wanted, export
    from app.services.exporting.export_tables import UnknownScopeError
    from app.store.exporting.exports import Scope

    if asset is not None and site is not None:
        raise typer.BadParameter("give --asset or --site, not both")
    if output is None and form is not ExportFormat.CSV:
        raise typer.BadParameter(f"{form.value} needs -o FILE")
    wanted = Wanted(kind.value, Scope(asset, site), form.value)
    with record(url, settings) as database, failing_on(UnknownScopeError, NoParquetError):
        if output is None:
            with bar(kind.value, to_stdout=True) as tell:
                export(database, wanted, sys.stdout.buffer, tell)
            return
        with (
            bar(kind.value) as tell,
            failing_on(OSError, before=f"cannot write {output}: "),
            _whole(output) as out,
        ):
            count = export(database, wanted, out, tell)
    typer.echo(f"{output}: {count} {kind.value}")


@contextmanager
def _whole(path: Path) -> Iterator[BinaryIO]:
    """A file that appears when it is whole: a reader never sees half of it."""
    part = path.with_name(f"{path.name}.part")
    try:
        with part.open("wb") as out:
            yield out
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def trace(
    sample: Annotated[int, typer.Argument(metavar="ID", min=1, help="Id of a stored sample.")],
    url: DatabaseUrl = None,
    settings: SettingsFile = None,
    as_json: AsJson = False,
) -> None:
    """Print where each reading of a sample stands in the laboratory file it came with, and what is written there."""
    from app.services.files.import_trace import trace_sample

    with record(url, settings) as database:
        found = trace_sample(database, sample)
    if found is None:
        fail(f"sample {sample} came with no file, or there is no such sample")
    places = {
        name: {"line": at.line, "column": at.column, "cell": at.address, "text": at.text}
        for name, at in found.places.items()
    }
    outcome = {
        "file": found.filename,
        "file_id": found.file_id,
        "profile": found.profile,
        "imported_by": found.imported_by,
        "unit_said_to_be": found.unit_said_to_be,
        "places": places,
    }
    said = f", which calls the unit {found.unit_said_to_be!r}" if found.unit_said_to_be else ""
    lines = [f"{found.filename}{said}, read by the profile {found.profile}, imported by {found.imported_by}"]
    lines += [
        f"{name}: line {at.line}, column {at.column!r}{f', cell {at.address}' if at.address else ''}: {at.text!r}"
        for name, at in found.places.items()
    ]
    show(outcome, lines, as_json=as_json)
