"""``ullage demo`` and ``ullage simulate``: for trying it out."""

import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from app.cli.common import ServerUrl, failing_on


def demo(
    folder: Annotated[Path, typer.Option(metavar="FOLDER", help="Where its database and mail go.")] = Path(
        "var/demo"
    ),
    port: Annotated[int, typer.Option(min=1, max=65535, help="Port of its server.")] = 8750,
    keep: Annotated[bool, typer.Option("--keep", help="Go on with the database of the last time.")] = False,
) -> None:
    """Run the demonstration: a fictional fleet, judged while you watch. Ctrl-C ends it."""
    from app.demo.command import DemoError, DemoOptions, run_demo

    with failing_on(DemoError):
        run_demo(DemoOptions(port=port, folder=folder, keep=keep), typer.echo)


def simulate(
    key: Annotated[str, typer.Option(help="The instrument's key.")],
    story: Annotated[
        str, typer.Option(metavar="NAME", help="What to play; a wrong name lists the stories.")
    ] = "developing-thermal",
    url: ServerUrl = "http://127.0.0.1:8750",
    speed: Annotated[
        float | None, typer.Option(help="Times real time, until it reaches the present.")
    ] = None,
    spool: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER", help="Folder of what is not delivered yet; a temporary one without it."
        ),
    ] = None,
) -> None:
    """Play an instrument of the demo's fleet: it posts readings over HTTP, faster than real time."""
    from app.demo.simulate import DEFAULT_SPEED, Playback, play
    from app.sender.errors import SenderError
    from app.signals import stopping_on_signals

    stop = threading.Event()
    pace = DEFAULT_SPEED if speed is None else speed
    with failing_on(ValueError, SenderError), stopping_on_signals(stop):
        play(Playback(url, key, story, datetime.now(UTC), pace, spool=spool), stop, typer.echo)
