"""How often an instrument may post.

The counts are kept in the process: asking takes microseconds and nothing else that could fail. Each of several app
workers therefore counts for itself and allows its share, ``limit / app_workers`` rounded up; an instrument that keeps
one connection open stays with one worker and has that share only.
"""

import threading
from math import ceil
from time import time

from fastapi import FastAPI
from limits import RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter

from app.store.registering.source_lookup import StoredSource
from app.web.server.problems import Problem

_MAKING = threading.Lock()


class PostRate:
    """Counts the posts of each instrument in the last minute.

    Args:
        posts_per_minute: for instruments of which nothing else is registered; 0: no limit.
        processes: how many there are like this one.
    """

    def __init__(self, posts_per_minute: int, processes: int) -> None:
        self._default = posts_per_minute
        self._processes = processes
        self._limiter = MovingWindowRateLimiter(MemoryStorage())

    def count(self, source: StoredSource) -> None:
        """Count a post. 429 when it is one too many; those refused are not counted."""
        own = source.source.posts_per_minute
        limit = self._default if own is None else own
        if limit == 0:
            return
        window = RateLimitItemPerMinute(ceil(limit / self._processes))
        if self._limiter.hit(window, str(source.id)):
            return
        seconds = max(1, ceil(self._limiter.get_window_stats(window, str(source.id)).reset_time - time()))
        detail = (
            f"This instrument may make {limit} posts a minute; come again in {seconds} s,"
            " with many samples in one post."
        )
        raise Problem(429, detail, headers={"Retry-After": str(seconds)})


def post_rate(app: FastAPI) -> PostRate:
    """The counts of this application."""
    found: PostRate | None = getattr(app.state, "post_rate", None)
    if found is None:
        with _MAKING:
            found = getattr(app.state, "post_rate", None)
            if found is None:
                settings = app.state.settings
                found = app.state.post_rate = PostRate(settings.posts_per_minute, settings.app_workers)
    return found
