"""A disk so small that it can be filled: a tmpfs, which only root may mount."""

import errno
import os
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


class NoSmallDiskError(Exception):
    """This system lets us mount none."""


@contextmanager
def small_disk(megabytes: int) -> Iterator[Path]:
    """An empty one of so many MB; it is gone when the block ends."""
    with tempfile.TemporaryDirectory(prefix="ullage-disk-") as name:
        words = ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m,mode=0755", "ullage-test", name]
        done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=60)
        if done.returncode:
            raise NoSmallDiskError(done.stderr.strip())
        try:
            yield Path(name)
        finally:
            subprocess.run(["umount", "--lazy", name], check=True, timeout=60)


def fill(disk: Path) -> None:
    """Write a file ``ballast`` until there is no room for another byte."""
    with (disk / "ballast").open("ab", buffering=0) as file:
        for size in (1 << 20, 4096):
            block = bytes(size)
            try:
                while file.write(block):
                    continue
            except OSError as error:
                if error.errno != errno.ENOSPC:
                    raise
        os.fsync(file.fileno())
