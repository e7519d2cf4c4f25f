"""``ullage db ...``: the database's schema, its upkeep, and whether all is well in it."""

from datetime import UTC, datetime
from typing import Annotated

import typer

from app.cli_common import fail, open_database, settings_or_fail

db_app = typer.Typer(no_args_is_help=True, help="The database.")


@db_app.command()
def upgrade() -> None:
    """Bring the database to the newest schema."""
    from app.store import migrate

    with open_database(migrated=False) as database:
        migrate.upgrade(database)
        typer.echo(f"the database is at revision {migrate.current_revision(database)}")


@db_app.command("retention")
def retention_command(
    months: Annotated[
        int | None, typer.Option(min=0, max=1200, help="Instead of ULLAGE_RAW_RETENTION_MONTHS.")
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would go.")] = False,
) -> None:
    """End single on-line readings older than the setting; the worker does so once a day.

    Daily summaries and laboratories' samples stay.
    """
    from app.services.upkeep import end_of_raw
    from app.store.trouble import STORE_ERRORS, Trouble, trouble_of

    settings = settings_or_fail()
    keep = settings.raw_retention_months if months is None else months
    with open_database() as database:
        try:
            ended = end_of_raw(
                database, datetime.now(UTC), keep, keep_tables=settings.keep_raw_tables, dry_run=dry_run
            )
        except STORE_ERRORS as error:
            if trouble_of(error) is not Trouble.BUSY:
                raise
            fail("others have been reading on-line readings for long: nothing has gone, try again later")
    if ended.before is None:
        typer.echo("all on-line readings are kept: no retention is set (ULLAGE_RAW_RETENTION_MONTHS)")
        return
    verb = "would go" if dry_run else "have gone"
    typer.echo(f"{ended.readings} on-line readings taken before {ended.before:%Y-%m-%d} UTC {verb}")
    for month in ended.months:
        typer.echo(f"month {month:%Y-%m}")
