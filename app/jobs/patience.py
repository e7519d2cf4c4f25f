"""Waiting for a database: until it is up when a process begins, and between two tries while it is away."""

import threading
from collections.abc import Callable
from concurrent.futures import Future, wait
from typing import Final

import structlog

from app.store.database import ConnectionOptions, Database
from app.store.keeping import migrate

FIRST_PAUSE_SECONDS: Final = 1.0
LONGEST_PAUSE_SECONDS: Final = 15.0

log = structlog.get_logger("ullage.patience")


class Pauses:
    """Seconds to the next try: twice as long each time, up to :data:`LONGEST_PAUSE_SECONDS`."""

    def __init__(self) -> None:
        self._next = FIRST_PAUSE_SECONDS

    def next(self) -> float:
        seconds, self._next = self._next, min(2 * self._next, LONGEST_PAUSE_SECONDS)
        return seconds

    def over(self) -> None:
        """It went well: the next pause is a short one again."""
        self._next = FIRST_PAUSE_SECONDS


def log_wait(reason: str, seconds: float) -> None:
    """Say in the log why the database is waited for, and when it is tried again."""
    log.warning("waiting for the database", reason=reason, next_try_seconds=seconds)


def wait_for_database(
    url: str,
    options: ConnectionOptions,
    stop: threading.Event,
    say: Callable[[str, float], None] = log_wait,
) -> Database | None:
    """The database, at the newest revision, as soon as there is one; None when ``stop`` was set meanwhile.

    A server that is down, is starting or cannot be reached is waited for. One that refuses us is asked once more:
    it may have come up between the try and the question whether it is up.

    Args:
        say: told before each pause why it waits, and for how many seconds.

    Raises:
        DatabaseUnusableError: it refused us twice, or is no database of this version.
    """
    pauses, refused = Pauses(), False
    while not stop.is_set():
        try:
            return _try(url, options, stop)
        except migrate.DatabaseAwayError as error:
            reason, refused = str(error), False
        except migrate.DatabaseRefusesError as error:
            if refused:
                raise
            reason, refused = str(error), True
        seconds = FIRST_PAUSE_SECONDS if refused else pauses.next()
        say(reason, seconds)
        stop.wait(seconds)
    return None


def _try(url: str, options: ConnectionOptions, stop: threading.Event) -> Database | None:
    """One try, in a thread that is left alone when ``stop`` is set: a name or an answer may be long in coming."""
    answer: Future[Database] = Future()

    def run() -> None:
        try:
            answer.set_result(migrate.open_ready(url, options))
        except Exception as error:  # noqa: BLE001 - it is raised where it is waited for
            answer.set_exception(error)

    threading.Thread(target=run, name="first connection", daemon=True).start()
    while not wait([answer], timeout=0.1).done:
        if stop.is_set():
            return None
    return answer.result()
