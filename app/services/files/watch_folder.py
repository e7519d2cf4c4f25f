"""A folder that files arrive in by themselves: each is imported once it has stopped growing, then moved.

Done files go to ``done``, bad ones to ``set-aside`` with a report beside them. A file is moved only after its
import is committed: whatever is interrupted is imported again at the next look, and its samples are then known.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Final, Literal

from app.services.files.import_file import import_file
from app.services.files.import_outcome import (
    ImportChoices,
    ImportResult,
    describe,
    problem_in_words,
    too_large,
)
from app.services.recording.record_samples import BatchTerms
from app.store.database import Database

DONE: Final = "done"
SET_ASIDE: Final = "set-aside"
UNFINISHED: Final = frozenset({".part", ".tmp", ".partial", ".crdownload", ".filepart"})
"""Endings that programs give a file while they still write it."""

Stamp = tuple[int, int]
"""Size and time of the last change [ns]."""


@dataclass(frozen=True, slots=True)
class Watch:
    """What is watched and for whom.

    Attributes:
        folder: the folder; files in folders within it are left alone.
        laboratory_code: who sends the files.
        author: kept with each file as who imported it.
        most_bytes: larger files are set aside unread.
    """

    folder: Path
    laboratory_code: str
    author: str
    most_bytes: int
    context: BatchTerms
    choices: ImportChoices = field(default_factory=ImportChoices)


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of one file, and where it is now."""

    name: str
    fate: Literal["done", "set aside"]
    moved_to: Path
    lines: tuple[str, ...]


def look(
    database: Database, watch: Watch, seen: Mapping[str, Stamp], clock: Callable[[], datetime]
) -> tuple[list[Taken], dict[str, Stamp]]:
    """Import every file that has not changed since the last look, and move it.

    Args:
        database: where to import to.
        watch: what is watched.
        seen: size and time of change of each file at the last look, by name; empty at the first.
        clock: the server's time, asked once a file.

    Returns:
        What was done, and the stamps to give at the next look.

    Raises:
        OSError: if the folder cannot be read or a file cannot be moved; nothing is lost by it.
    """
    stamps = {path.name: _stamp(path) for path in _files(watch.folder)}
    taken = [
        _take(database, watch, watch.folder / name, clock)
        for name, stamp in sorted(stamps.items())
        if stamp is not None and seen.get(name) == stamp
    ]
    moved = {one.name for one in taken}
    return taken, {name: stamp for name, stamp in stamps.items() if stamp is not None and name not in moved}


def _files(folder: Path) -> list[Path]:
    return [
        path
        for path in folder.iterdir()
        if path.is_file() and not path.name.startswith((".", "~")) and path.suffix.lower() not in UNFINISHED
    ]


def _stamp(path: Path) -> Stamp | None:
    """None for a file that somebody took away in the meantime."""
    try:
        found = path.stat()
    except FileNotFoundError:
        return None
    return found.st_size, found.st_mtime_ns


def _take(database: Database, watch: Watch, path: Path, clock: Callable[[], datetime]) -> Taken:
    size = path.stat().st_size
    if size > watch.most_bytes:
        reason = f"{path.name}: {too_large(size, watch.most_bytes)}"
        return _set_aside(watch, path, [reason], clock())
    now = clock()
    done = import_file(
        database,
        path.read_bytes(),
        path.name,
        watch.laboratory_code,
        watch.author,
        now,
        watch.context,
        watch.choices,
    )
    if not done.stored:
        return _set_aside(watch, path, _report(done), now)
    target = _move(path, watch.folder / DONE)
    return Taken(path.name, "done", target, tuple(describe(done)))


def _report(done: ImportResult) -> list[str]:
    count = len(done.problems)
    return [
        f"{done.filename} was not imported: {count} problem{'s' * (count > 1)}. Nothing of it is stored.",
        *(f"- {problem_in_words(problem)}" for problem in done.problems),
    ]


def _set_aside(watch: Watch, path: Path, lines: list[str], now: datetime) -> Taken:
    target = _free(watch.folder / SET_ASIDE, path.name)
    advice = "Mend the file (or ask the laboratory to) and put it into the watched folder again."
    text = "\n".join(
        [*lines, "", advice, f"Laboratory {watch.laboratory_code}, {now:%Y-%m-%d %H:%M} UTC", ""]
    )
    # the report first: a file that was moved without one would lie there unexplained
    target.with_name(f"{target.name}.txt").write_text(text, encoding="utf-8")
    path.replace(target)
    return Taken(path.name, "set aside", target, tuple(lines))


def _move(path: Path, folder: Path) -> Path:
    target = _free(folder, path.name)
    path.replace(target)
    return target


def _free(folder: Path, name: str) -> Path:
    """A place in the folder that no earlier file of that name holds."""
    folder.mkdir(exist_ok=True)
    target, number = folder / name, 1
    while target.exists():
        number += 1
        target = folder / f"{Path(name).stem} ({number}){Path(name).suffix}"
    return target
