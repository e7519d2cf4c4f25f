"""Group commit: posts that arrive while another is being recorded are recorded together, in one transaction.

A commit waits for the disk, and a judgement costs much the same for one reading as for thirty; so sixteen clients
that post at once are served in the time of two or three. Every answer is still given after the commit.
"""

import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from app.domain.columns import SampleColumns
from app.services.outcomes import Outcome
from app.services.post_parts import Post
from app.services.record_posts import Surrounds, record_posts
from app.services.series_memory import SeriesMemory
from app.store.database import Database
from app.store.fleet import StoredSource
from app.store.trouble import trouble_of

MOST_SAMPLES: Final = 5000
"""In one group; a larger post makes a group by itself."""
MOST_POSTS: Final = 64


@dataclass(eq=False)
class _Job:
    post: Post
    done: threading.Event = field(default_factory=threading.Event)
    outcomes: list[Outcome] = field(default_factory=list)
    error: Exception | None = None


class Recorder:
    """Records posts of instruments; safe to call from many threads.

    Args:
        database: where to. On SQLite one group is written at a time, on PostgreSQL ``lanes`` of them.
        public_url: the address that mails link to.
        observe: told of each group: number of posts, number of samples.
    """

    def __init__(
        self,
        database: Database,
        public_url: str,
        observe: Callable[[int, int], None] = lambda _posts, _samples: None,
        lanes: int = 2,
    ) -> None:
        self._database = database
        self._public_url = public_url
        self._observe = observe
        self._memory = SeriesMemory()
        self._waiting: deque[_Job] = deque()
        self._guard = threading.Lock()
        self._turn = threading.BoundedSemaphore(1 if database.is_sqlite else lanes)

    def record(self, source: StoredSource, columns: SampleColumns, received_at: datetime) -> list[Outcome]:
        """Record one post; returns when it is committed, with the outcomes in the order of its samples."""
        job = _Job(Post(source, columns, received_at))
        with self._guard:
            self._waiting.append(job)
        while not job.done.is_set():
            with self._turn:
                group = [] if job.done.is_set() else self._next_group()
                if group:
                    self._record(group)
            if not group:
                job.done.wait()  # another thread has it in hand
        if job.error is not None:
            raise job.error
        return job.outcomes

    def _next_group(self) -> list[_Job]:
        """The posts that have waited longest, no two of one instrument or compartment."""
        with self._guard:
            group: list[_Job] = []
            passed: list[_Job] = []
            taken: set[int] = set()
            samples = 0
            while self._waiting and len(group) < MOST_POSTS:
                job = self._waiting.popleft()
                serves = set(job.post.source.compartments.values())
                many = samples + len(job.post.columns)
                if (group and many > MOST_SAMPLES) or serves & taken:
                    passed.append(job)
                    taken |= serves  # what waits behind it keeps its order
                    continue
                group.append(job)
                taken |= serves
                samples = many
            self._waiting.extendleft(reversed(passed))
            return group

    def _record(self, group: list[_Job]) -> None:
        """All of them, or, where that fails, each by itself: one bad post must not take the others with it."""
        try:
            self._together(group)
        except Exception as error:  # noqa: BLE001 - whatever it is, it is raised to the one who posted
            # where the database itself is in trouble, each by itself would wait for it once more
            if len(group) > 1 and trouble_of(error) is None:
                for job in group:
                    self._record([job])
                return
            for job in group:
                job.error = error
                job.done.set()

    def _together(self, group: list[_Job]) -> None:
        now = max(job.post.received_at for job in group)
        with self._database.write() as connection:
            within = Surrounds(now, self._public_url, self._memory)
            found = record_posts(connection, [job.post for job in group], within)
        self._memory.keep(found.ends)
        for job, outcomes in zip(group, found.outcomes, strict=True):
            job.outcomes = outcomes
            job.done.set()
        self._observe(len(group), sum(len(job.post.columns) for job in group))
