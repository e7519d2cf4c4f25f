"""``ullage instrument ...``: maintenance of instruments."""

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated

import typer

from app.cli.common import fail, open_database

if TYPE_CHECKING:
    from app.services.registering.maintenance import StoredSpell

instrument_app = typer.Typer(no_args_is_help=True, help="On-line monitors.")
maintenance_app = typer.Typer(
    no_args_is_help=True, help="Spells in which an instrument is worked on: its samples are kept, not judged."
)
instrument_app.add_typer(maintenance_app, name="maintenance")

Code = Annotated[str, typer.Argument(help="Code of the instrument.")]


@maintenance_app.command("begin")
def begin(
    code: Code,
    note: Annotated[str, typer.Option(help="Why.")],
    author: Annotated[str, typer.Option(help="Who says so.")] = "command line",
    begins: Annotated[str | None, typer.Option(help="Time with offset; now when left out.")] = None,
    ends: Annotated[str | None, typer.Option(help="Time with offset; open when left out.")] = None,
) -> None:
    """Begin maintenance, now or at a time. Samples that are in the record already keep their verdict."""
    from app.domain.recording.maintenance import Spell
    from app.services.registering import maintenance

    spell = Spell(_time("--begins", begins) or datetime.now(UTC), _time("--ends", ends))
    with open_database() as database:
        try:
            stored = maintenance.begin(database, code, spell, author, note)
        except (maintenance.UnknownReferenceError, maintenance.MaintenanceError) as error:
            fail(str(error))
    typer.echo(_line(stored))


@maintenance_app.command("end")
def end(code: Code) -> None:
    """End the maintenance that goes on; where none does, call off the next that is planned."""
    from app.services.registering import maintenance

    with open_database() as database:
        try:
            stored = maintenance.end(database, code, datetime.now(UTC))
        except (maintenance.UnknownReferenceError, maintenance.MaintenanceError) as error:
            fail(str(error))
    typer.echo(_line(stored))


@maintenance_app.command("list")
def list_command(code: Code) -> None:
    """Every spell, oldest first; one that was called off ends when it begins."""
    from app.services.registering import maintenance

    with open_database() as database:
        try:
            found = maintenance.spells_of(database, code)
        except maintenance.UnknownReferenceError as error:
            fail(str(error))
    for stored in found:
        typer.echo(_line(stored))


def _time(option: str, text: str | None) -> datetime | None:
    if text is None:
        return None
    from app.intake.iso_time import iso_time
    from app.intake.validate import ImpossibleError

    try:
        return iso_time(text)
    except ImpossibleError as error:
        raise typer.BadParameter(f"{option}: {error}") from None


def _line(stored: "StoredSpell") -> str:
    begins, ends = stored.spell.begins_at, stored.spell.ends_at
    until = "open" if ends is None else f"{ends:%Y-%m-%d %H:%M:%S} UTC"
    return f"{begins:%Y-%m-%d %H:%M:%S} UTC to {until}  {stored.author}: {stored.note}"
