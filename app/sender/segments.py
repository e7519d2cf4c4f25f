"""The files of a spool: which there are, what is good in them, and what is done about the rest."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from app.sender import durable
from app.sender.records import Sifted, frame, sift, unframe

DAMAGED: Final = "damaged.bin"
_ACKNOWLEDGED: Final = "acknowledged"
_NAME: Final = re.compile(r"\d{19}\.samples")

Say = Callable[[str], None]


@dataclass(eq=False, slots=True)
class Segment:
    """One file of records. ``size`` [bytes] and ``last`` (number of the last record) count what is on disk for sure."""

    path: Path
    size: int
    last: int


@dataclass(frozen=True, slots=True)
class Recovered:
    """What a folder holds.

    Attributes:
        segments: oldest first, whole and readable; those of which all is answered are removed.
        answered: number up to which all records are answered.
        last: number of the last record that was ever written.
        waiting: how many records are not answered.
        offset: where the first of them begins in the first segment [bytes].
        damaged: whether records that may have been accepted cannot be read.
    """

    segments: list[Segment]
    answered: int
    last: int
    waiting: int
    offset: int
    damaged: bool


def name(first: int) -> str:
    """File name of the segment whose first record has this number."""
    return f"{first:019d}.samples"


def read_answered(folder: Path, say: Say) -> int:
    """Number up to which records are answered, 0 when nothing is known: sending again does no harm."""
    try:
        content = durable.read(folder / _ACKNOWLEDGED)
    except FileNotFoundError:
        return 0
    found = unframe(content.removesuffix(b"\n"))
    if found is None:
        say(
            f"{folder / _ACKNOWLEDGED} cannot be read; what is in the spool is sent again, which does no harm"
        )
        return 0
    return found[0]


def write_answered(folder: Path, number: int) -> None:
    durable.replace(folder / _ACKNOWLEDGED, frame(number, b"answered"))


def recover(folder: Path, say: Say) -> Recovered:
    """Read a spool as the last process, or a power cut, left it; put aside what was not finished."""
    for leftover in folder.glob("*.part"):
        leftover.unlink()
    answered = read_answered(folder, say)
    paths = sorted(path for path in folder.iterdir() if _NAME.fullmatch(path.name))
    if paths:  # a segment is removed only when all before it and in it is answered
        answered = max(answered, int(paths[0].name.partition(".")[0]) - 1)
    segments: list[Segment] = []
    last, waiting, offset, damaged = 0, 0, 0, False
    for path in paths:
        found = sift(durable.read(path), last, answered)
        damaged |= _mend(path, found, say, newest=path == paths[-1])
        last = found.good[-1][0] if found.good else last
        if last <= answered or not found.good:
            path.unlink(missing_ok=True)
            continue
        segments.append(Segment(path, sum(len(line) for _, line in found.good), last))
        waiting += sum(number > answered for number, _ in found.good)
        offset += sum(len(line) for number, line in found.good if number <= answered)
    if paths:
        durable.sync_folder(folder)
    return Recovered(segments, answered, max(last, answered), waiting, offset, damaged)


def _mend(path: Path, found: Sifted, say: Say, *, newest: bool) -> bool:
    """Leave the good lines only, put the rest into ``damaged.bin``. Returns whether a line that was once whole is lost.

    Only the newest file can end in a part of a line: power or a full disk did not let it be finished, and it was
    never accepted. Anything else is a disk that fails.
    """
    spoiled = found.damaged + found.tail
    if not spoiled:
        return False
    lost = bool(found.damaged) or b"\n" in found.tail or not newest
    aside = path.with_name(DAMAGED)
    with aside.open("ab") as out:
        durable.append(out.fileno(), spoiled)
    if lost:
        count = f", at least {found.missing} of them not yet answered" if found.missing else ""
        say(f"{path}: {len(spoiled)} bytes of records cannot be read{count}; they are kept in {aside}")
    else:
        say(f"{path}: an unfinished end of {len(spoiled)} bytes, hardly ever accepted, is moved to {aside}")
    durable.replace(path, b"".join(line for _, line in found.good))
    return lost
