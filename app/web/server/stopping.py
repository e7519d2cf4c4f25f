"""Ending in good order: first say so on ``/health/ready``, then take no new connections, then finish what is under way.

The web server does the second and third; this tells it when, and ends the process when it does not come to an end.
"""

import asyncio
import os
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Final

import structlog

MARGIN_SECONDS: Final = 5.0
"""What the web server needs after its time for requests is over."""
LOG = structlog.get_logger("ullage.web")


class Stopping:
    """Whether the server was told to end.

    Attributes:
        asked: SIGTERM or SIGINT came.
        also: called when it comes, e.g. to tell the worker too; in a signal handler, so it must not wait.
    """

    def __init__(self, drain_seconds: float, shutdown_seconds: float) -> None:
        self.asked = False
        self.also: list[Callable[[], None]] = []
        self._drain = drain_seconds
        self._patience = shutdown_seconds

    @contextmanager
    def watching_signals(self) -> Iterator[None]:
        """While the application lives, put this before what the web server does at SIGTERM and SIGINT.

        The web server has set its handlers when it starts the application. Outside of a main thread there are none.
        """
        if threading.current_thread() is not threading.main_thread():
            yield
            return
        loop = asyncio.get_running_loop()
        servers = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}

        def on_signal(number: int, frame: FrameType | None) -> None:
            end = servers[signal.Signals(number)]
            if not callable(end):
                return
            if self.asked or number == signal.SIGINT or not self._drain:
                self._ask()
                end(number, frame)
            else:
                self._ask()
                loop.call_soon_threadsafe(loop.call_later, self._drain, end, number, frame)

        for number in servers:
            signal.signal(number, on_signal)
        try:
            yield
        finally:
            for number, handler in servers.items():
                signal.signal(number, handler)

    def _ask(self) -> None:
        if self.asked:
            return
        self.asked = True
        for tell in self.also:
            tell()
        timer = threading.Timer(self._drain + self._patience + MARGIN_SECONDS, _end_now)
        timer.daemon = True
        timer.start()


def _end_now() -> None:
    """A thread that waits for a dead database or peer cannot be ended: what it had begun is rolled back."""
    LOG.error("requests did not come to an end in time; the process ends without them")
    os._exit(1)
