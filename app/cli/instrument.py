"""``ullage instrument ...``: maintenance of instruments."""

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, Any

import typer

from app.cli.common import AsJson, Author, DatabaseUrl, SettingsFile, failing_on, record, show, time_of

if TYPE_CHECKING:
    from app.services.registering.maintenance import StoredSpell

instrument_app = typer.Typer(no_args_is_help=True, help="On-line monitors.")
maintenance_app = typer.Typer(
    no_args_is_help=True, help="Spells in which an instrument is worked on: its samples are kept, not judged."
)
instrument_app.add_typer(maintenance_app, name="maintenance")

Code = Annotated[str, typer.Argument(metavar="CODE", help="Code of the instrument.")]
Begins = Annotated[str | None, typer.Option(metavar="TIME", help="Time with offset; now when left out.")]
Ends = Annotated[str | None, typer.Option(metavar="TIME", help="Time with offset; open when left out.")]


@maintenance_app.command()
def begin(
    code: Code,
    note: Annotated[str, typer.Option(help="Why.")],
    author: Author = "command line",
    begins: Begins = None,
    ends: Ends = None,
    url: DatabaseUrl = None,
    settings: SettingsFile = None,
    as_json: AsJson = False,
) -> None:
    """Begin maintenance, now or at a time. Samples that are in the record already keep their verdict."""
    from app.domain.recording.maintenance import Spell
    from app.services.registering import maintenance

    spell = Spell(time_of("--begins", begins) or datetime.now(UTC), time_of("--ends", ends))
    refusals = (maintenance.UnknownReferenceError, maintenance.MaintenanceError)
    with record(url, settings) as database, failing_on(*refusals):
        stored = maintenance.begin(database, code, spell, author, note)
    show(_as_object(stored), [_line(stored)], as_json=as_json)


@maintenance_app.command()
def end(code: Code, url: DatabaseUrl = None, settings: SettingsFile = None, as_json: AsJson = False) -> None:
    """End the maintenance that goes on; where none does, call off the next that is planned."""
    from app.services.registering import maintenance

    refusals = (maintenance.UnknownReferenceError, maintenance.MaintenanceError)
    with record(url, settings) as database, failing_on(*refusals):
        stored = maintenance.end(database, code, datetime.now(UTC))
    show(_as_object(stored), [_line(stored)], as_json=as_json)


@maintenance_app.command("list")
def list_command(
    code: Code, url: DatabaseUrl = None, settings: SettingsFile = None, as_json: AsJson = False
) -> None:
    """Every spell, oldest first; one that was called off ends when it begins."""
    from app.services.registering import maintenance

    with record(url, settings) as database, failing_on(maintenance.UnknownReferenceError):
        found = maintenance.spells_of(database, code)
    show([_as_object(one) for one in found], (_line(one) for one in found), as_json=as_json)


def _as_object(stored: "StoredSpell") -> dict[str, Any]:
    return {
        "begins_at": stored.spell.begins_at,
        "ends_at": stored.spell.ends_at,
        "author": stored.author,
        "note": stored.note,
    }


def _line(stored: "StoredSpell") -> str:
    begins, ends = stored.spell.begins_at, stored.spell.ends_at
    until = "open" if ends is None else f"{ends:%Y-%m-%d %H:%M:%S} UTC"
    return f"{begins:%Y-%m-%d %H:%M:%S} UTC to {until}  {stored.author}: {stored.note}"
