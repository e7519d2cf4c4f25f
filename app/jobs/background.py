"""The worker in a thread beside something else, and its end in bounded time."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager

import structlog

from app.config import Settings
from app.jobs import worker
from app.store.database import Database

LOG = structlog.get_logger("worker")


@contextmanager
def running_worker(
    database: Database, settings: Settings, stop: threading.Event
) -> Iterator[threading.Thread]:
    """The worker runs while the block does, in the thread it gets; ``stop`` set, it finishes its message and ends.

    After ``shutdown_seconds`` it is left alone: a message that it still talks about to a mail server stays in the
    outbox, and is sent again when its lease is over.
    """
    thread = threading.Thread(target=worker.run, args=(database, settings, stop), name="worker", daemon=True)
    thread.start()
    try:
        yield thread
    finally:
        stop.set()
        thread.join(settings.shutdown_seconds)
        if thread.is_alive():
            LOG.warning("the worker did not finish in time; its message stays in the outbox")
