"""``ullage send``: what a gateway on site runs."""

import os
import sys
import threading
from collections.abc import Callable, Iterable
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated
from urllib.parse import urlsplit

import typer

from app.cli.common import ServerUrl, fail

if TYPE_CHECKING:
    from app.sender.input import Chunk

MEGABYTE = 1_000_000


class WhenFull(StrEnum):
    WAIT = "wait"
    STOP = "stop"


def send_command(
    spool: Annotated[
        Path,
        typer.Option(file_okay=False, help="Folder of what is not delivered yet: one for each instrument."),
    ],
    file: Annotated[
        Path | None,
        typer.Argument(help="Samples as JSON: one a line, or one body.", metavar="FILE"),
    ] = None,
    stdin: Annotated[bool, typer.Option("--stdin", help="Read lines from standard input.")] = False,
    follow: Annotated[
        bool, typer.Option("--follow", help="Go on reading as FILE grows, until stopped.")
    ] = False,
    url: ServerUrl = "http://127.0.0.1:8750",
    key_file: Annotated[
        Path | None,
        typer.Option(help="File with the instrument's key; read anew for each post."),
    ] = None,
    key: Annotated[
        str | None, typer.Option(help="The key itself, for trying out: others see it in the process list.")
    ] = None,
    batch: Annotated[int, typer.Option(min=1, max=1000, help="Most samples in one post.")] = 1000,
    max_spool_mb: Annotated[
        int, typer.Option(min=1, max=1_000_000, help="Most that may lie in the spool [MB].")
    ] = 256,
    when_full: Annotated[
        WhenFull, typer.Option(help="Spool or disk full: let the input wait, or stop with an error.")
    ] = WhenFull.WAIT,
    longest_wait: Annotated[
        float, typer.Option(min=0.1, max=3600, help="Most seconds between two attempts.")
    ] = 60.0,
    give_up_after: Annotated[
        float | None, typer.Option(min=0, help="Seconds after which a batch is given up; never without it.")
    ] = None,
    tell_accepted: Annotated[
        bool, typer.Option("--tell-accepted", help="Print how many lines are safely on disk, as they come.")
    ] = False,
) -> None:
    """Send samples, keeping them on disk until the server has answered each. Progress is on standard error.

    Exit code: 0 all delivered, 1 something rejected or given up, 2 wrong words, 3 stopped with samples waiting.
    """
    from app.sender.errors import SenderError
    from app.sender.pacing import Pacing
    from app.sender.run import Feeder, run
    from app.sender.send import Sender
    from app.sender.server import Server
    from app.sender.spool import Spool
    from app.signals import stopping_on_signals

    _refuse_contradictions(file, stdin=stdin, follow=follow)
    stop = threading.Event()
    pacing = Pacing(longest=longest_wait, give_up_after=give_up_after)
    server = Server(_checked_url(url), _key_reader(key_file, key), proxies=True)
    try:
        with (
            stopping_on_signals(stop),
            server,
            Spool(spool, max_spool_mb * MEGABYTE, _say) as queue,
        ):
            feeder = Feeder(
                _chunks(file, spool, stop, follow=follow),
                queue,
                _say,
                wait_when_full=when_full is WhenFull.WAIT,
                tell_accepted=_print_count if tell_accepted else lambda _: None,
            )
            sender = Sender(queue, server, pacing, _say, batch)
            code = run(feeder, sender, stop, whole_input=file is not None and not follow)
    except SenderError as error:
        fail(str(error))
    raise typer.Exit(code)


def _refuse_contradictions(file: Path | None, *, stdin: bool, follow: bool) -> None:
    if (file is None) == (not stdin):
        raise typer.BadParameter("give either FILE or --stdin")
    if follow and file is None:
        raise typer.BadParameter("--follow needs FILE")
    if file is not None and not follow and not file.is_file():
        raise typer.BadParameter(f"{file} is no file; for a pipe use --stdin < {file}")


def _checked_url(url: str) -> str:
    try:
        parts = urlsplit(url)
        port_is_one = parts.port is None or parts.port > 0  # raises ValueError when it is no port
    except ValueError as error:
        raise typer.BadParameter(f"--url {url!r} is no address: {error}") from None
    if parts.scheme not in {"http", "https"} or not parts.hostname or not port_is_one:
        raise typer.BadParameter(f"--url {url!r} is no address; write https://HOST or http://HOST:PORT")
    if parts.query or parts.fragment:
        raise typer.BadParameter(f"--url {url!r}: leave out what follows the ? or #")
    return url


def _key_reader(key_file: Path | None, key: str | None) -> Callable[[], str]:
    if (key_file is None) == (key is None):
        raise typer.BadParameter("give either --key-file or --key")
    if key_file is None:
        return lambda: key or ""
    path = key_file
    return lambda: path.read_text(encoding="utf-8").strip()


def _chunks(file: Path | None, spool: Path, stop: threading.Event, *, follow: bool) -> "Iterable[Chunk]":
    from app.sender import input as source

    if file is None:
        return source.from_pipe(sys.stdin.fileno(), stop)
    if follow:
        return source.from_growing_file(file, spool, stop)
    return source.from_file(file)


def _say(line: str) -> None:
    typer.echo(line, err=True)


def _print_count(accepted: int) -> None:
    os.write(sys.stdout.fileno(), b"%d\n" % accepted)
