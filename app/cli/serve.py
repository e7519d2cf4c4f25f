"""``ullage serve``: the server, in one process or in several that are each as good as any."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from math import ceil
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Annotated, Any

import typer

from app.cli.common import connection_options, fail, open_database, settings_or_fail

if TYPE_CHECKING:
    from fastapi import FastAPI

    from app.config import Settings

HEALTH_CHECK_SECONDS = 60
"""A process that does not answer its supervisor for so long is replaced; interpretation may hold it for a while."""


def serve(
    workers: Annotated[
        int | None, typer.Option(min=1, max=64, help="Processes, instead of ULLAGE_APP_WORKERS.")
    ] = None,
) -> None:
    """Run the server on the settings in the environment, with the worker inside unless it is switched off."""
    import signal

    settings = settings_or_fail()
    number = settings.app_workers if workers is None else workers
    # uvicorn ends in good order and then raises the signal again, which would leave the worker in mid-turn
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    if number == 1:
        _serve_alone(settings)
    else:
        _serve_together(settings, number)


def _serve_alone(settings: "Settings") -> None:
    import threading

    import uvicorn

    from app.jobs import logging_setup
    from app.jobs.background import running_worker
    from app.jobs.memory import spare_what_stays, use_few_arenas
    from app.web.app import create_app

    use_few_arenas()
    with open_database(serving=True) as database:
        logging_setup.configure(settings.log_level)
        stop = threading.Event()
        application = create_app(settings, database)
        spare_what_stays()
        application.state.stopping.also.append(stop.set)
        with running_worker(database, settings, stop) if settings.embedded_worker else nullcontext():
            uvicorn.run(application, **_options(settings))


def _serve_together(settings: "Settings", number: int) -> None:
    """A supervisor, which runs the embedded worker, and ``number`` servers on one socket."""
    import uvicorn

    from app.jobs import logging_setup

    if settings.database_url.startswith("sqlite"):
        fail(
            f"{number} processes cannot serve one SQLite database: it has one writer at a time."
            " Use PostgreSQL (ULLAGE_DATABASE_URL; `ullage db copy` moves the record), or one process"
        )
    with _worker_beside(settings), TemporaryDirectory(prefix="ullage-metrics-") as figures:
        from app.config import hand_down, share_metrics

        share_metrics(figures)
        hand_down(settings.model_copy(update={"app_workers": number}))
        logging_setup.configure(settings.log_level)
        uvicorn.run(
            "app.cli.serve:build",
            factory=True,
            workers=number,
            timeout_worker_healthcheck=HEALTH_CHECK_SECONDS,
            **_options(settings),
        )


@contextmanager
def _worker_beside(settings: "Settings") -> Iterator[None]:
    import threading

    from app.jobs.background import running_worker

    with open_database(serving=True) as database:
        stop = threading.Event()
        with running_worker(database, settings, stop) if settings.embedded_worker else nullcontext():
            yield


def build() -> "FastAPI":
    """The application of one of several processes; the web server calls it in each."""
    from app.jobs import logging_setup
    from app.jobs.memory import spare_what_stays, use_few_arenas
    from app.store.keeping import migrate
    from app.web.app import create_app

    use_few_arenas()
    settings = settings_or_fail()
    logging_setup.configure(settings.log_level)
    application = create_app(
        settings, migrate.open_database(settings.database_url, connection_options(settings))
    )
    spare_what_stays()
    return application


def _options(settings: "Settings") -> dict[str, Any]:
    return {
        "host": settings.host,
        "port": settings.port,
        "log_config": None,  # its lines go where all others go
        "log_level": settings.log_level.lower(),
        "access_log": False,  # app.web.server.request_log writes those
        "timeout_keep_alive": settings.keep_alive_seconds,
        "timeout_graceful_shutdown": ceil(settings.shutdown_seconds),
    }
