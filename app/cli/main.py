"""The ``ullage`` command. Each command is a few lines: it reads settings and the clock and calls a service.

Heavy modules are imported inside the commands, so that ``ullage --help`` answers at once.
"""

from collections.abc import Callable
from typing import Annotated

import typer

from app.cli.common import EXIT_CODES
from app.cli.db import backup, db_app, restore
from app.cli.demo import demo, simulate
from app.cli.files import export_command, import_command, trace
from app.cli.fleet import fleet_app
from app.cli.health import health, mail_app
from app.cli.instrument import instrument_app
from app.cli.judging import explain, interpret, reassess
from app.cli.keys import key_app
from app.cli.send import send_command
from app.cli.serve import serve, worker

app = typer.Typer(no_args_is_help=True, rich_markup_mode="markdown", epilog=EXIT_CODES)


def _print_version(asked: bool) -> None:
    if asked:
        from importlib.metadata import version

        typer.echo(f"ullage {version('ullage')}")
        raise typer.Exit


@app.callback()
def ullage(
    _version: Annotated[
        bool,
        typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version and end."),
    ] = False,
) -> None:
    """Dissolved gas trend analysis."""


RUN, RECORD, JUDGE, TRY = "Run it", "The record", "What samples mean", "Try it"
COMMANDS: dict[str, dict[str, Callable[..., None]]] = {
    RUN: {"serve": serve, "worker": worker, "health": health, "send": send_command},
    RECORD: {"import": import_command, "export": export_command, "backup": backup, "restore": restore},
    JUDGE: {"interpret": interpret, "explain": explain, "reassess": reassess, "trace": trace},
    TRY: {"demo": demo, "simulate": simulate},
}
for panel, commands in COMMANDS.items():
    for name, command in commands.items():
        app.command(name, rich_help_panel=panel)(command)
app.add_typer(fleet_app, name="fleet", rich_help_panel=RECORD)
app.add_typer(key_app, name="key", rich_help_panel=RUN)
app.add_typer(instrument_app, name="instrument", rich_help_panel=RECORD)
app.add_typer(db_app, name="db", rich_help_panel=RECORD)
app.add_typer(mail_app, name="mail", rich_help_panel=RUN)


def main() -> None:
    """The command, with the arguments of this process."""
    app()
