"""Looks at a watched folder again and again until it is told to stop."""

import threading
from collections.abc import Callable
from datetime import UTC, datetime

from app.services.files.watch_folder import Stamp, Taken, Watch, look
from app.store.database import Database


def run(
    database: Database,
    watch: Watch,
    stop: threading.Event,
    every_seconds: float,
    tell: Callable[[Taken], None],
) -> None:
    """Import what arrives in the folder. A file is taken when two looks find it unchanged.

    Args:
        database: where to import to.
        watch: the folder, the laboratory, and who imports.
        stop: ends the loop after the look that is going on.
        every_seconds: time between two looks.
        tell: called with each file that was taken.

    Raises:
        OSError: if the folder cannot be read or a file cannot be moved.
    """
    seen: dict[str, Stamp] = {}
    while not stop.is_set():
        taken, seen = look(database, watch, seen, lambda: datetime.now(UTC))
        for one in taken:
            tell(one)
        stop.wait(every_seconds)
