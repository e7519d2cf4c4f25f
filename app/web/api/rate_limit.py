"""How often an instrument may post.

The counts are kept in the process: asking takes microseconds and nothing else that could fail. Each of several app
workers therefore counts for itself and allows its share, ``limit / app_workers`` rounded up; an instrument that keeps
one connection open stays with one worker and has that share only.
"""

from dataclasses import dataclass
from math import ceil
from time import time

from limits import RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter

from app.store.registering.source_lookup import StoredSource


@dataclass(frozen=True, slots=True)
class TooOften:
    """A post too many: how many are allowed in a minute, and after how many seconds to come again."""

    limit: int
    seconds: int

    def __str__(self) -> str:
        return (
            f"This instrument may make {self.limit} posts a minute; come again in {self.seconds} s,"
            " with many samples in one post."
        )


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

    def count(self, source: StoredSource) -> TooOften | None:
        """Count a post; not None when it is one too many. Those refused are not counted."""
        own = source.source.posts_per_minute
        limit = self._default if own is None else own
        if limit == 0:
            return None
        window = RateLimitItemPerMinute(ceil(limit / self._processes))
        if self._limiter.hit(window, str(source.id)):
            return None
        free_at = self._limiter.get_window_stats(window, str(source.id)).reset_time
        return TooOften(limit, max(1, ceil(free_at - time())))
