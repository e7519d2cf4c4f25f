"""Writing so that it outlives a power cut: nothing counts before fsync(2) has returned, the folder's included."""

import errno
import os
from contextlib import suppress
from pathlib import Path
from typing import Final

DISK_FULL: Final = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
BLOCK: Final = 4096


def sync_folder(folder: Path) -> None:
    """Make files that were made, renamed or removed in a folder stay so."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def append(descriptor: int, content: bytes) -> int:
    """Append all of it and wait until it is on disk. Returns the new size [bytes].

    Raises:
        OSError: what was written of it is taken off again; where the disk refuses that, too, the file is longer
            than before.
    """
    before = os.fstat(descriptor).st_size
    try:
        written = 0
        while written < len(content):
            written += os.write(descriptor, content[written:])
        os.fsync(descriptor)
    except OSError:
        with suppress(OSError):
            os.ftruncate(descriptor, before)
            os.fsync(descriptor)
        raise
    return before + len(content)


def replace(path: Path, content: bytes) -> None:
    """Put a file in the place of another: whoever looks, after a power cut too, sees the old one or the new."""
    partial = path.with_name(f"{path.name}.part")
    try:
        with partial.open("wb") as out:
            append(out.fileno(), content)
    except OSError:
        partial.unlink(missing_ok=True)
        raise
    partial.replace(path)
    sync_folder(path.parent)


def read(path: Path) -> bytes:
    """Content of a file; line feeds stand for the blocks that a failing disk does not give back."""
    blocks, length = [], path.stat().st_size
    with path.open("rb", buffering=0) as file:
        for offset in range(0, length, BLOCK):
            try:
                blocks.append(os.pread(file.fileno(), BLOCK, offset))
            except OSError as error:
                if error.errno != errno.EIO:
                    raise
                blocks.append(b"\n" * min(BLOCK, length - offset))
    return b"".join(blocks)


def size(path: Path) -> int:
    """Bytes of a file, none when it is not there."""
    try:
        return path.stat().st_size
    except FileNotFoundError:
        return 0
