"""On-line readings in: many posts of many instruments, judged together, in one transaction.

Read it downwards: posts are taken apart into the rows of each compartment (:mod:`.post_parts`), looked up in the record
and made ready (:mod:`.series_work`), judged and stored (:mod:`.judge_and_store`).
"""

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice

from app.domain.model import SetAside
from app.services.judging.online_series import spells
from app.services.recording.judge_and_store import judge_and_store
from app.services.recording.outcomes import Outcome
from app.services.recording.post_parts import Part, Post, first_of_each_time, parts_of, refused, taken_in
from app.services.recording.recording_context import RecordingContext, RecordingTerms, recording_context
from app.services.recording.series_memory import Remembered, end_of
from app.services.recording.series_work import SeriesWork, look_up, make_ready
from app.store.database import Connection
from app.store.keeping import retention
from app.store.recording import instrument_states, online_rows
from app.store.registering import fleet


@dataclass(frozen=True, slots=True)
class Recorded:
    """The outcomes of each post in the order of its samples, and what can be remembered once it is committed."""

    outcomes: list[list[Outcome]]
    ends: list[Remembered]


def record_posts(connection: Connection, posts: Sequence[Post], terms: RecordingTerms) -> Recorded:
    """Record posts of different instruments; no two of them may serve the same compartment."""
    outcomes: list[list[Outcome | None]] = [refused(post.columns) for post in posts]
    parts = [part for place, post in enumerate(posts) for part in parts_of(place, post)]
    parts = taken_in(parts, retention.raw_begins(connection), outcomes)
    fleet.lock_compartments(connection, (part.compartment_id for part in parts))
    context = recording_context(connection, parts, terms)
    changed: set[int] = set()
    ends: list[Remembered] = []
    round_ = 0
    # a time that comes more than once is taken in order: one of them a round
    while parts:
        left, works = _record_round(connection, parts, context if round_ == 0 else context.forgetful())
        for part in parts:
            for row, outcome in part.outcomes.items():
                outcomes[part.post][part.columns.place[row]] = outcome
        changed |= {work.part.source.id for work in works}
        # after a second round the ends of the first are out of date
        ends = _ends(works, context.tokens) if round_ == 0 and not left else []
        parts, round_ = left, round_ + 1
    _note_heard(connection, posts, context, changed)
    return Recorded([[o for o in one if o is not None] for one in outcomes], ends)


def _record_round(
    connection: Connection, parts: Sequence[Part], context: RecordingContext
) -> tuple[list[Part], list[SeriesWork]]:
    """Record each time once; returns the parts that are left, and what was done."""
    left, found = [], []
    for part in parts:
        first, again = first_of_each_time(part)
        part.outcomes = dict.fromkeys(first)
        if again:
            left.append(replace(part, rows=again))
        for since, until in spells([part.columns.taken_at[row] for row in first]):
            rows = [row for row in first if since <= part.columns.taken_at[row] <= until]
            found.append(look_up(connection, part, rows, context))
    found = [one for one in found if one.fresh.rows]
    if not found:
        return left, []
    ids = iter(online_rows.next_ids(connection, sum(len(one.fresh.rows) for one in found)))
    works = [make_ready(connection, one, context, list(islice(ids, len(one.fresh.rows)))) for one in found]
    judge_and_store(connection, works, context)
    return left, works


def _ends(works: Sequence[SeriesWork], tokens: Mapping[int, int]) -> list[Remembered]:
    """The ends of the series that only grew, to be remembered under the tokens that are written now."""
    several = Counter(work.key for work in works)
    return [
        end_of(work.key, tokens[work.part.source.id], work.stored, work.new, work.series)
        for work in works
        if several[work.key] == 1
        and work.to_the_end
        and not work.replaced
        and list(work.new.taken_at) == sorted(work.new.taken_at)
        and (not work.stored.taken_at or min(work.new.taken_at) > work.stored.taken_at[-1])
    ]


def _note_heard(
    connection: Connection, posts: Sequence[Post], context: RecordingContext, changed: Collection[int]
) -> None:
    """Write down when each instrument was heard, and a new token where its stored readings have changed."""
    states = {}
    for post in posts:
        if not len(post.columns):
            continue
        times = [
            at
            for at, aside in zip(post.columns.taken_at, post.columns.set_aside, strict=True)
            if aside is not SetAside.CLOCK_AHEAD
        ]
        source_id = post.source.id
        earlier = context.heard.get(source_id)
        newest = max([*times, *([earlier.newest] if earlier else [])], default=post.received_at)
        new = source_id in changed or earlier is None
        token = context.tokens.get(source_id, 0) if new or earlier is None else earlier.token
        states[source_id] = (post.received_at, newest, token)
    instrument_states.heard(connection, states)
