"""``ullage serve`` and ``ullage worker``: the server, in one process or in several, and the worker by itself."""

import sys
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, nullcontext
from math import ceil
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Annotated, Any

import typer

from app.cli.common import (
    DatabaseUrl,
    SettingsFile,
    connection_options,
    fail,
    settings_of,
    waited_for,
)

if TYPE_CHECKING:
    from fastapi import FastAPI

    from app.config import Settings
    from app.store.database import Database

HEALTH_CHECK_SECONDS = 60
"""A process that does not answer its supervisor for so long is replaced; interpretation may hold it for a while."""


def serve(
    host: Annotated[str | None, typer.Option(help="Address to listen on, in place of ULLAGE_HOST.")] = None,
    port: Annotated[int | None, typer.Option(min=1, max=65535, help="Port, in place of ULLAGE_PORT.")] = None,
    workers: Annotated[
        int | None, typer.Option(min=1, max=64, help="Processes, in place of ULLAGE_APP_WORKERS.")
    ] = None,
    open_browser: Annotated[
        bool, typer.Option("--open", help="Open the pages in the browser as soon as the server answers.")
    ] = False,
    url: DatabaseUrl = None,
    settings: SettingsFile = None,
) -> None:
    """Run the server, with the worker inside unless ULLAGE_EMBEDDED_WORKER is false.

    It waits for a PostgreSQL server that is down, is starting or cannot be reached, and logs why. It ends with exit
    code 1 when that server refuses the name, user or password, or when the database is not at the newest schema.
    """
    import signal

    from app.jobs import logging_setup
    from app.listening import why_not

    chosen = settings_of(settings, host=host, port=port, app_workers=workers, database_url=url)
    if chosen.app_workers > 1 and chosen.database_url.startswith("sqlite"):
        fail(
            f"{chosen.app_workers} processes cannot serve one SQLite database: it has one writer at a time."
            " Use PostgreSQL (ULLAGE_DATABASE_URL; `ullage db copy` moves the record), or one process"
        )
    if reason := why_not(chosen.host, chosen.port):
        fail(f"{reason}. Stop what uses it, or choose another with --port")
    logging_setup.configure(chosen.log_level)
    if open_browser:
        _open_browser_later(chosen)
    # uvicorn ends in good order and then raises the signal again, which would leave the worker in mid-turn
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    if chosen.app_workers == 1:
        _serve_alone(chosen)
    else:
        _serve_together(chosen)


def worker(url: DatabaseUrl = None, settings: SettingsFile = None) -> None:
    """Run the worker by itself: it sends the mail that is due. Ends on SIGINT or SIGTERM, with exit code 0.

    It waits for a PostgreSQL server as `ullage serve` does, when it begins and whenever the server goes away.
    """
    from app.jobs import logging_setup
    from app.jobs.background import running_worker
    from app.signals import stopping_on_signals

    chosen, stop = settings_of(settings, database_url=url), threading.Event()
    logging_setup.configure(chosen.log_level)
    with stopping_on_signals(stop), waited_for(chosen, stop) as database:
        with running_worker(database, chosen, stop) as thread:
            while thread.is_alive() and not stop.wait(1.0):
                pass
        if not stop.is_set():
            fail("the worker has ended by itself; the log says why")


def _serve_alone(settings: "Settings") -> None:
    from app.jobs.background import running_worker
    from app.jobs.memory import spare_what_stays, use_few_arenas
    from app.web.app import create_app

    use_few_arenas()
    with _waited_for(settings) as database:
        stop = threading.Event()
        application = create_app(settings, database)
        spare_what_stays()
        application.state.stopping.also.append(stop.set)
        with running_worker(database, settings, stop) if settings.embedded_worker else nullcontext():
            _run(application, settings)


def _serve_together(settings: "Settings") -> None:
    """A supervisor, which runs the embedded worker, and servers on one socket."""
    from app.config import hand_down, share_metrics
    from app.jobs.background import running_worker

    stop = threading.Event()
    with _waited_for(settings) as database, TemporaryDirectory(prefix="ullage-metrics-") as figures:
        share_metrics(figures)
        hand_down(settings)
        with running_worker(database, settings, stop) if settings.embedded_worker else nullcontext():
            _run(
                "app.cli.serve:build",
                settings,
                factory=True,
                workers=settings.app_workers,
                timeout_worker_healthcheck=HEALTH_CHECK_SECONDS,
            )


@contextmanager
def _waited_for(settings: "Settings") -> "Iterator[Database]":
    """The database; a signal ends the waiting, and later does what it did before."""
    from app.signals import stopping_on_signals

    stop = threading.Event()
    with ExitStack() as stack:
        with stopping_on_signals(stop):
            database = stack.enter_context(waited_for(settings, stop))
        yield database


def build() -> "FastAPI":
    """The application of one of several processes; the web server calls it in each.

    The database was seen to be fit by the supervisor. It is not waited for: while it is away, requests are told so.
    """
    from app.jobs import logging_setup
    from app.jobs.memory import spare_what_stays, use_few_arenas
    from app.store.database import Database
    from app.web.app import create_app

    use_few_arenas()
    settings = settings_of(None)
    logging_setup.configure(settings.log_level)
    application = create_app(settings, Database(settings.database_url, connection_options(settings)))
    spare_what_stays()
    return application


def _run(application: "FastAPI | str", settings: "Settings", **further: Any) -> None:
    """Serve until a signal comes; exit code 1 when it could not begin, for which uvicorn has a code of its own."""
    import uvicorn

    try:
        uvicorn.run(
            application,
            host=settings.host,
            port=settings.port,
            log_config=None,  # its lines go where all others go
            log_level=settings.log_level.lower(),
            access_log=False,  # app.web.server.request_log writes those
            timeout_keep_alive=settings.keep_alive_seconds,
            timeout_graceful_shutdown=ceil(settings.shutdown_seconds),
            **further,
        )
    except SystemExit as end:
        if end.code:
            raise typer.Exit(1) from None
        raise


def _open_browser_later(settings: "Settings") -> None:
    """As soon as the server answers; a browser that cannot be started is told."""
    from app.config import address_of

    url = address_of(settings.host, settings.port)

    def wait_and_open() -> None:
        import time
        import webbrowser

        import httpx

        with httpx.Client(timeout=5.0, trust_env=False) as client:
            while True:
                try:
                    client.get(f"{url}/health/live")
                    break
                except httpx.TransportError:  # not listening yet
                    time.sleep(0.2)
        if not webbrowser.open(url):
            typer.echo(f"no browser could be started: open {url}", err=True)

    threading.Thread(target=wait_and_open, name="browser", daemon=True).start()
