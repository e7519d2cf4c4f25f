"""A reading of the database that keeps nobody waiting for longer than promised.

A server that hangs (a locked table, a stopped process, a dead network) lets a statement wait for minutes, and
threads of the pool that endpoints share with it. Probes must answer all the same.
"""

import asyncio
import threading
from collections.abc import Callable
from concurrent.futures import Future
from typing import Generic, TypeVar

T = TypeVar("T")


class Bounded(Generic[T]):
    """Runs ``read`` in a thread of its own, one at a time; whoever asks meanwhile shares its answer.

    However often it is asked while the database hangs, one thread hangs with it.
    """

    def __init__(self, read: Callable[[], T], patience_seconds: float) -> None:
        self._read = read
        self._patience = patience_seconds
        self._lock = threading.Lock()
        self._running: Future[T] | None = None

    async def ask(self) -> T:
        """What ``read`` returns or raises.

        Raises:
            TimeoutError: it took longer than ``patience_seconds``; it goes on behind the scenes.
        """
        with self._lock:
            if self._running is None or self._running.done():
                self._running = Future()
                threading.Thread(
                    target=self._run, args=(self._running,), name="bounded-read", daemon=True
                ).start()
            waited_for = self._running
        return await asyncio.wait_for(asyncio.shield(asyncio.wrap_future(waited_for)), timeout=self._patience)

    def _run(self, answer: Future[T]) -> None:
        try:
            result = self._read()
        except Exception as error:  # noqa: BLE001 - it is raised where it was asked for
            answer.set_exception(error)
        else:
            answer.set_result(result)
