"""A serving process keeps to few heaps of the C library."""

import subprocess
import sys

import pytest

PROGRAM = """
import ctypes, io, os, sys, threading
from app.jobs.memory import use_few_arenas
if sys.argv[1] == "few":
    use_few_arenas()
libc = ctypes.CDLL(None)
libc.malloc.restype = ctypes.c_void_p
ready, done = threading.Barrier(21), threading.Event()
def hold():
    libc.malloc(3000)
    ready.wait()
    done.wait()
threads = [threading.Thread(target=hold) for _ in range(20)]
for one in threads: one.start()
ready.wait()
done.set()
for one in threads: one.join()
libc.fdopen.restype = ctypes.c_void_p
out = libc.fdopen(1, b"w")
libc.malloc_info(0, ctypes.c_void_p(out))
libc.fflush(ctypes.c_void_p(out))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="the heaps of glibc")
def test_threads_share_two_heaps() -> None:
    heaps = {}
    for how in ("few", "as it is"):
        told = subprocess.run(
            [sys.executable, "-c", PROGRAM, how], capture_output=True, text=True, check=True
        )
        heaps[how] = told.stdout.count("<heap nr=")
    assert heaps["few"] <= 2
    assert heaps["as it is"] > 2
