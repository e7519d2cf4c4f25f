"""Looks at a watched folder again and again until it is told to stop."""

import threading
from collections.abc import Callable
from datetime import UTC, datetime

from app.jobs.patience import Pauses
from app.services.files.watch_folder import Stamp, Watch, look
from app.store.database import Database
from app.store.trouble import STORE_ERRORS, WORDS, reason_of, trouble_of


def run(
    database: Database,
    watch: Watch,
    stop: threading.Event,
    every_seconds: float,
    say: Callable[[str], None],
) -> None:
    """Import what arrives in the folder. A file is taken when two looks find it unchanged.

    While the database is gone, full or busy, files stay where they are; it looks again, less and less often.

    Args:
        database: where to import to.
        watch: the folder, the laboratory, and who imports.
        stop: ends the loop after the look that is going on.
        every_seconds: time between two looks.
        say: gets what became of each file, and what ails the database, line by line.

    Raises:
        OSError: if the folder cannot be read or a file cannot be moved.
    """
    seen: dict[str, Stamp] = {}
    pauses = Pauses()
    while not stop.is_set():
        try:
            taken, seen = look(database, watch, seen, lambda: datetime.now(UTC))
        except STORE_ERRORS as error:
            trouble = trouble_of(error)
            if trouble is None:
                raise
            seconds = max(every_seconds, pauses.next())
            say(f"{WORDS[trouble]} ({reason_of(error)}); the next look is in {seconds:g} s")
            stop.wait(seconds)
            continue
        pauses.over()
        for one in taken:
            for line in (*one.lines, f"{one.name}: {one.fate}, now {one.moved_to}"):
                say(line)
        stop.wait(every_seconds)
