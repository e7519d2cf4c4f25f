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

from app.domain.recording.columns import SampleColumns
from app.services.recording.outcomes import Outcome
from app.services.recording.post_parts import Post
from app.services.recording.record_posts import record_posts
from app.services.recording.recording_context import RecordingTerms
from app.services.recording.series_memory import SeriesMemory
from app.store.database import Database
from app.store.registering.source_lookup import StoredSource
from app.store.trouble import trouble_of

MOST_SAMPLES: Final = 5000
"""In one group; a larger post makes a group by itself."""
MOST_POSTS: Final = 64


@dataclass(eq=False)
class _Job:
    post: Post
    wake: threading.Event = field(default_factory=threading.Event)
    """Set when it is done, and when its thread is to lead the next group."""
    done: bool = False
    lead: bool = False
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
        self._lanes = 1 if database.is_sqlite else lanes
        self._leading = 0
        """Threads that lead a group, or were asked to."""

    def record(self, source: StoredSource, columns: SampleColumns, received_at: datetime) -> list[Outcome]:
        """Record one post; returns when it is committed, with the outcomes in the order of its samples."""
        job = _Job(Post(source, columns, received_at))
        with self._guard:
            self._waiting.append(job)
            if self._leading < self._lanes:
                self._leading += 1
                self._ask_to_lead(job)
        while True:
            # who is done goes at once, and does not stand in line behind the next group
            job.wake.wait()
            with self._guard:
                job.wake.clear()
                lead, job.lead, done = job.lead, False, job.done
            if lead and not done:
                self._record(self._next_group())
            if lead:
                self._hand_over()
            if done:
                break
        if job.error is not None:
            raise job.error
        return job.outcomes

    @staticmethod
    def _ask_to_lead(job: _Job) -> None:
        job.lead = True
        job.wake.set()

    def _hand_over(self) -> None:
        """Let the thread of a post that waits lead the next group; without one a lane is free."""
        with self._guard:
            following = next((job for job in self._waiting if not job.lead), None)
            if following is None:
                self._leading -= 1
            else:
                self._ask_to_lead(following)

    def _finish(self, group: list[_Job]) -> None:
        with self._guard:
            for job in group:
                job.done = True
                job.wake.set()

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
        if not group:
            return  # another lane has taken what waited
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
            self._finish(group)

    def _together(self, group: list[_Job]) -> None:
        now = max(job.post.received_at for job in group)
        with self._database.write() as connection:
            terms = RecordingTerms(now, self._public_url, self._memory)
            found = record_posts(connection, [job.post for job in group], terms)
        self._memory.keep(found.ends)
        for job, outcomes in zip(group, found.outcomes, strict=True):
            job.outcomes = outcomes
        self._finish(group)
        self._observe(len(group), sum(len(job.post.columns) for job in group))
