"""Ending on a signal without dying of it."""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


@contextmanager
def stopping_on_signals(stop: threading.Event) -> Iterator[None]:
    """While the block runs, SIGINT, SIGTERM and SIGHUP set ``stop`` instead of ending the process."""

    def ask(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    watched = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    before = [signal.signal(number, ask) for number in watched]
    try:
        yield
    finally:
        for number, handler in zip(watched, before, strict=True):
            signal.signal(number, handler)
