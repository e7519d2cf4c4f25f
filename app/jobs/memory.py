"""How a serving process takes memory from the system."""

import ctypes
import gc

_M_ARENA_MAX = -8
"""mallopt(3), glibc."""
ARENAS = 2


def use_few_arenas() -> None:
    """Let the threads of this process share two heaps; call it before they are started.

    The C library gives each of the threads that answer requests a heap of its own, up to eight a core, and returns
    little of them: after an hour under load a server held three times the memory it used. A library without the
    call has no such heaps.
    """
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        mallopt(_M_ARENA_MAX, ARENAS)


def spare_what_stays() -> None:
    """Let the garbage collector look no more at what is there now: programs, tables, the application.

    They stay for as long as the process does, and looking at all of them would hold up every request for a tenth of a
    second now and then. Call it when the application is made.
    """
    gc.collect()
    gc.freeze()
