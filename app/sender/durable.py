"""Writing so that it outlives a power cut: nothing counts before fsync(2) has returned, the folder's included."""

import errno
import os
from pathlib import Path
from typing import Final

DISK_FULL: Final = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})


def sync_folder(folder: Path) -> None:
    """Make files that were made, renamed or removed in a folder stay so."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def append(descriptor: int, content: bytes) -> int:
    """Append all of it and wait until it is on disk, or leave the file as it was. Returns the new size [bytes].

    Raises:
        OSError: nothing was appended. When the half written rest could not be taken off again either, the file
            ends in an unfinished line, and the error's ``filename2`` is ``"unfinished"``.
    """
    before = os.fstat(descriptor).st_size
    try:
        written = 0
        while written < len(content):
            written += os.write(descriptor, content[written:])
        os.fsync(descriptor)
    except OSError as error:
        try:
            os.ftruncate(descriptor, before)
            os.fsync(descriptor)
        except OSError:
            error.filename2 = "unfinished"
        raise
    return before + len(content)


def replace(path: Path, content: bytes) -> None:
    """Put a file in the place of another: whoever looks, after a power cut too, sees the old one or the new."""
    partial = path.with_name(f"{path.name}.part")
    try:
        with partial.open("wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
    except OSError:
        partial.unlink(missing_ok=True)
        raise
    partial.replace(path)
    sync_folder(path.parent)
