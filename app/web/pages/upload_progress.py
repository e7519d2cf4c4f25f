"""How far an upload has got, told to the page that waits for it. Kept in memory: it is of no use afterwards."""

import threading
from collections import OrderedDict
from typing import Final

MOST: Final = 200
"""Uploads that are remembered; the oldest goes first."""


class UploadProgress:
    """Progress by ticket, a random text the page makes up; safe to use from several threads."""

    def __init__(self) -> None:
        self._steps: OrderedDict[str, tuple[str, int, int]] = OrderedDict()
        self._lock = threading.Lock()

    def tell(self, ticket: str, step: str, done: int, total: int) -> None:
        """Note that ``done`` of ``total`` rows of a step are behind."""
        with self._lock:
            self._steps[ticket] = (step, done, total)
            self._steps.move_to_end(ticket)
            while len(self._steps) > MOST:
                self._steps.popitem(last=False)

    def read(self, ticket: str) -> tuple[str, int, int]:
        """Step, rows done, rows in all; empty and zeros for a ticket that is not known."""
        with self._lock:
            return self._steps.get(ticket, ("", 0, 0))
