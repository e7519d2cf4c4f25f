"""``ullage db ...``, ``ullage backup`` and ``ullage restore``: the schema, its upkeep, and the record as a whole."""

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from app.cli.bars import stages_bar
from app.cli.common import (
    AsJson,
    DatabaseUrl,
    ExistingFile,
    SettingsFile,
    fail,
    failing_on,
    opened,
    record,
    settings_of,
    show,
)

if TYPE_CHECKING:
    from app.services.keeping.check_database import Checked

db_app = typer.Typer(no_args_is_help=True, help="The database.")


@db_app.command()
def upgrade(url: DatabaseUrl = None, settings: SettingsFile = None, as_json: AsJson = False) -> None:
    """Bring the database to the newest schema."""
    from app.store.keeping import migrate

    with record(url, settings, ready=False) as database:
        migrate.upgrade(database)
        revision = migrate.current_revision(database)
    show({"revision": revision}, [f"the database is at revision {revision}"], as_json=as_json)


@db_app.command()
def retention(
    months: Annotated[
        int | None,
        typer.Option(min=0, max=1200, help="Months to keep, in place of ULLAGE_RAW_RETENTION_MONTHS."),
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would go.")] = False,
    url: DatabaseUrl = None,
    settings: SettingsFile = None,
    as_json: AsJson = False,
) -> None:
    """End single on-line readings older than the setting; the worker does so several times a day.

    Daily summaries and laboratories' samples stay.
    """
    from app.services.keeping.upkeep import end_of_raw
    from app.store.trouble import STORE_ERRORS, Trouble, trouble_of

    chosen = settings_of(settings, database_url=url, raw_retention_months=months)
    with opened(chosen.database_url) as database:
        try:
            ended = end_of_raw(
                database,
                datetime.now(UTC),
                chosen.raw_retention_months,
                keep_tables=chosen.keep_raw_tables,
                dry_run=dry_run,
            )
        except STORE_ERRORS as error:
            if trouble_of(error) is not Trouble.BUSY:
                raise
            fail("others have been reading on-line readings for long: nothing has gone, try again later")
    gone = [f"{month:%Y-%m}" for month in ended.months]
    if ended.before is None:
        lines = ["all on-line readings are kept: no retention is set (ULLAGE_RAW_RETENTION_MONTHS)"]
    else:
        verb = "would go" if dry_run else "have gone"
        lines = [f"{ended.readings} on-line readings taken before {ended.before:%Y-%m-%d} UTC {verb}"]
        lines += [f"month {month}" for month in gone]
    outcome = {"before": ended.before, "readings": ended.readings, "months": gone, "dry_run": dry_run}
    show(outcome, lines, as_json=as_json)


@db_app.command()
def check(
    full: Annotated[bool, typer.Option("--full", help="All daily summaries, not only the newest.")] = False,
    mend: Annotated[
        bool, typer.Option("--mend", help="Make wrong daily summaries and missing months anew, then check.")
    ] = False,
    url: DatabaseUrl = None,
    settings: SettingsFile = None,
    as_json: AsJson = False,
) -> None:
    """Look whether the record is sound. Prints what is wrong and how to mend it, and exits with 1 then."""
    from app.services.keeping import check_database as service

    now, mended = datetime.now(UTC), None
    with record(url, settings, ready=False) as database, stages_bar() as tell:
        if mend:
            mended = service.mend(database, now, full=full, tell=tell)
        checked = service.check_database(database, now, full=full, tell=tell)
    if mended is not None and not as_json:
        typer.echo(f"{mended} summaries and months made anew")
    _show_checked(checked, mended, as_json=as_json)
    if checked.broken:
        raise typer.Exit(1)


def _show_checked(checked: "Checked", mended: int | None, *, as_json: bool) -> None:
    wrong = [
        {"what": one.what, "count": one.count, "examples": one.examples, "mend": one.mend}
        for one in checked.broken
    ]
    outcome = {"well": not wrong, "mended": mended, "looked_at": checked.looked_at, "wrong": wrong}
    well = [] if wrong else ["all is well"]
    show(outcome, [f"looked at: {'; '.join(checked.looked_at)}", *well], as_json=as_json)
    for one in checked.broken if not as_json else ():
        examples = f" (e.g. {', '.join(str(e) for e in one.examples)})" if one.examples else ""
        typer.echo(f"WRONG, {one.count}: {one.what}{examples}\n  to mend it: {one.mend}", err=True)


@db_app.command()
def copy(
    source: Annotated[str, typer.Option("--from", metavar="URL", help="The database to read.")],
    target: Annotated[str, typer.Option("--to", metavar="URL", help="A new, empty database.")],
    as_json: AsJson = False,
) -> None:
    """Copy the whole record into another database, from SQLite to PostgreSQL or back, and read it back.

    The copy lacks what is recorded while it is made. So stop the servers first if they are to use the copy from
    then on.
    """
    from app.services.keeping.copy_database import copy_database
    from app.store.keeping.transfer import TransferError

    with opened(source, ready=False) as read, opened(target, ready=False) as written:
        if read.url == written.url:
            fail("both are the same database")
        with failing_on(TransferError), stages_bar() as tell:
            rows = copy_database(read, written, tell).rows
    lines = [f"{table}: {number}" for table, number in rows.items()]
    lines.append(f"{sum(rows.values())} rows copied, read back and found the same")
    show({"rows": rows}, lines, as_json=as_json)


def backup(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", dir_okay=False, help="The file to write, e.g. ullage.backup.")
    ],
    url: DatabaseUrl = None,
    settings: SettingsFile = None,
    as_json: AsJson = False,
) -> None:
    """Write a backup: one file with everything in the database, as of one moment. Servers may go on running."""
    from app.services.keeping import backup as service
    from app.store.keeping.transfer import TransferError

    with (
        record(url, settings, ready=False) as database,
        failing_on(TransferError, OSError, before="no backup was made: "),
        stages_bar() as tell,
    ):
        made = service.backup(database, file, datetime.now(UTC), tell)
    rows, size = sum(made.rows.values()), file.stat().st_size
    said = (
        f"{file}: {rows} rows of {made.kind} at revision {made.revision}, {size / 1e6:.1f} MB, read through"
    )
    outcome = {
        "file": file,
        "bytes": size,
        "kind": made.kind,
        "revision": made.revision,
        "rows": dict(made.rows),
    }
    show(outcome, [said], as_json=as_json)


def restore(
    file: ExistingFile,
    url: DatabaseUrl = None,
    settings: SettingsFile = None,
    as_json: AsJson = False,
) -> None:
    """Fill the empty database from a backup. If anything is wrong with the backup, nothing is restored."""
    from app.services.keeping import backup as service
    from app.store.keeping.transfer import TransferError

    with (
        record(url, settings, ready=False) as database,
        failing_on(TransferError, before="nothing was restored: "),
        stages_bar() as tell,
    ):
        made = service.restore(database, file, tell)
    said = f"{sum(made.rows.values())} rows restored as of {made.made_at}"
    show({"made_at": made.made_at, "rows": dict(made.rows)}, [said], as_json=as_json)
