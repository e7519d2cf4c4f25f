"""On-line readings in: many posts of many instruments, judged together, in one transaction.

The readings are judged before they are stored, so that a row is written once and complete. Nearly all of them say
what the one before said, and are stored with how they stand; see :mod:`app.services.judging.compare_online` for what
is told.
"""

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import islice

from app.domain.judging.engine import RULE_SET
from app.domain.model import SetAside, utc_day
from app.domain.recording.maintenance import Spell
from app.services.alerting.raise_alerts import News, raise_alerts
from app.services.judging.compare_online import Comparison, ComparisonTerms, compare_with_stored
from app.services.judging.context import JudgingContext, judging_context
from app.services.judging.laboratory_series import report_options
from app.services.judging.online_series import (
    FAR,
    OnlineSeries,
    days_of,
    judge_all,
    merged_series,
    renew,
    spells,
    window_of,
)
from app.services.recording.new_readings import Fresh
from app.services.recording.outcomes import Outcome
from app.services.recording.post_parts import Part, Post, first_of_each_time, parts_of, refused, taken_in
from app.services.recording.series_memory import Remembered, SeriesMemory, end_of
from app.store.alerting import alerts
from app.store.database import Connection
from app.store.judging import assessments
from app.store.judging.assessments import By, Judged
from app.store.keeping import retention
from app.store.partitions import ensure_months
from app.store.recording import instrument_states, online_days, online_rows, samples
from app.store.recording.instrument_states import Heard
from app.store.recording.online_days import StoredDays
from app.store.recording.online_rows import Belonging, NewReadings, StoredRows
from app.store.registering import fleet, maintenance


@dataclass(frozen=True, slots=True)
class RecordingTerms:
    """When it is recorded, where a mail about it leads, and what this process remembers of the series."""

    now: datetime
    public_url: str
    memory: SeriesMemory


@dataclass(frozen=True, slots=True)
class Recorded:
    """The outcomes of each post in the order of its samples, and what can be remembered once it is committed."""

    outcomes: list[list[Outcome]]
    ends: list[Remembered]


def record_posts(connection: Connection, posts: Sequence[Post], within: RecordingTerms) -> Recorded:
    """Record posts of different instruments; no two of them may serve the same compartment."""
    outcomes: list[list[Outcome | None]] = [refused(post.columns) for post in posts]
    parts = [part for place, post in enumerate(posts) for part in parts_of(place, post)]
    parts = taken_in(parts, retention.raw_begins(connection), outcomes)
    fleet.lock_compartments(connection, (part.compartment_id for part in parts))
    around = _around(connection, parts)
    ends: list[Remembered] = []
    changed: set[int] = set()
    first = True
    # a time that comes more than once is taken in order: one of them a round
    while parts:
        again, works = _round(connection, parts, around, within if first else _forgetful(within))
        for part in parts:
            for row, outcome in part.outcomes.items():
                outcomes[part.post][part.columns.place[row]] = outcome
        changed |= {work.part.source.id for work in works}
        ends = [] if again or not first else works_ends(works, around.tokens)
        parts, first = again, False
    _note_heard(connection, posts, around, changed)
    return Recorded([[o for o in one if o is not None] for one in outcomes], ends)


def _forgetful(within: RecordingTerms) -> RecordingTerms:
    return replace(within, memory=SeriesMemory())


@dataclass(frozen=True, slots=True)
class _RecordingContext:
    judging: JudgingContext
    heard: Mapping[int, Heard]
    """By source id."""
    tokens: Mapping[int, int]
    """By source id, what its stored readings will be known by after this."""
    spells: Mapping[int, Sequence[Spell]]


def _around(connection: Connection, parts: Sequence[Part]) -> _RecordingContext:
    times = [at for part in parts for at in part.times()]
    sources = sorted({part.source.id for part in parts})
    ids = sorted({part.compartment_id for part in parts})
    return _RecordingContext(
        judging_context(connection, ids, (min(times), max(times)))
        if times
        else JudgingContext({}, {}, [], {}),
        instrument_states.newest_heard(connection, sources),
        {source_id: instrument_states.new_token() for source_id in sources},
        maintenance.spells(connection, sources),
    )


# --- a round ----------------------------------------------------------------------------------------------


@dataclass
class _Work:
    """One spell of one part, from what is stored to what is written."""

    part: Part
    stored: StoredRows
    series: OnlineSeries
    new: NewReadings
    replaced: list[tuple[int, datetime]]
    """Ids and times of the revisions that are no longer current."""
    to_the_end: bool


def _round(
    connection: Connection, parts: Sequence[Part], around: _RecordingContext, within: RecordingTerms
) -> tuple[list[Part], list[_Work]]:
    """Record each time once; returns what is left, and what was done."""
    left: list[Part] = []
    found: list[_Found] = []
    for part in parts:
        first, again = first_of_each_time(part)
        part.outcomes = dict.fromkeys(first)
        if again:
            left.append(replace(part, rows=again))
        for since, until in spells([part.columns.taken_at[row] for row in first]):
            rows = [row for row in first if since <= part.columns.taken_at[row] <= until]
            found.append(_look_up(connection, part, rows, (around, within.memory)))
    found = [one for one in found if one.fresh.rows]
    if not found:
        return left, []
    ids = iter(online_rows.next_ids(connection, sum(len(one.fresh.rows) for one in found)))
    works = [_prepare(connection, one, around, list(islice(ids, len(one.fresh.rows)))) for one in found]
    _judge_and_store(connection, works, around, within)
    return left, works


@dataclass(frozen=True, slots=True)
class _Found:
    """Rows of a part within one spell, and which of them are new."""

    part: Part
    span: tuple[datetime, datetime]
    stored: StoredRows
    days: StoredDays | None
    """None: not read yet."""
    fresh: Fresh
    to_the_end: bool
    """Nothing is stored behind what was looked at."""

    @property
    def key(self) -> tuple[int, int]:
        return self.part.compartment_id, self.part.source.id


def _look_up(
    connection: Connection, part: Part, rows: list[int], known_by: tuple[_RecordingContext, SeriesMemory]
) -> _Found:
    """What is known already and what is new of some rows. Notes the outcomes of what is known."""
    around, memory = known_by
    times = [part.columns.taken_at[row] for row in rows]
    key, span = (part.compartment_id, part.source.id), (min(times), max(times))
    heard = around.heard.get(part.source.id)
    end = memory.find(key, heard.token) if heard else None
    if end is not None and end.serves(span[0]):
        stored, days, newest = end.stored, end.days, True
    else:
        days = None
        # of the newest readings all that is stored is looked at, so that it can be remembered
        newest = heard is None or span[0] > heard.newest
        stored = window_of(connection, *key, (span[0], FAR) if newest else span)
    fresh = Fresh(part.columns, stored)
    for row in rows:
        known = fresh.take(row)
        if known is not None:
            part.outcomes[row] = Outcome("already_known", known)
    _leave_put_right(connection, part, key, fresh)
    return _Found(part, span, stored, days, fresh, newest)


def _prepare(connection: Connection, found: _Found, around: _RecordingContext, ids: list[int]) -> _Work:
    """The new rows and the series that they are judged in. Notes their outcomes."""
    part, fresh, stored = found.part, found.fresh, found.stored
    new = fresh.readings(ids, around.spells.get(part.source.id, ()))
    for row, sample_id, result, aside in zip(fresh.rows, new.ids, fresh.results, new.set_aside, strict=True):
        part.outcomes[row] = Outcome(result, sample_id, set_aside=None if aside is None else SetAside(aside))
    gone = [place for place in fresh.replaced if place is not None]
    if part.origin is not None:
        new = replace(new, origin=part.origin.of(fresh.rows))
    days = days_of(connection, *found.key, found.span) if found.days is None else found.days
    series = merged_series(found.key, stored, new, gone, days)
    replaced = [(stored.ids[place], stored.taken_at[place]) for place in gone]
    return _Work(part, stored, series, new, replaced, found.to_the_end)


def _leave_put_right(connection: Connection, part: Part, key: tuple[int, int], fresh: Fresh) -> None:
    """Readings that somebody has put right by hand are known already when they come once more."""
    for row in [row for row, result in zip(fresh.rows, fresh.results, strict=True) if result == "revised"]:
        older = fresh.older(row)
        if not older:
            continue
        by_hand = samples.replaced_by_hand(connection, (*key, part.columns.taken_at[row]))
        if any(fresh.id_of(place) in by_hand and fresh.repeats(row, place) for place in older):
            part.outcomes[row] = Outcome("already_known", fresh.current_id(row))
            fresh.drop(row)


# --- judging and storing ----------------------------------------------------------------------------------


def _judge_and_store(
    connection: Connection, works: Sequence[_Work], around: _RecordingContext, within: RecordingTerms
) -> None:
    touched = [sorted({utc_day(at) for at in work.new.taken_at}) for work in works]
    days = renew([(work.series, those) for work, those in zip(works, touched, strict=True)])
    judged = [work for work in works if work.series.ids]
    settled: dict[int, Comparison] = {}
    if judged:
        judgement, begins = judge_all(around.judging, [work.series for work in judged])
        for work, begin in zip(judged, begins, strict=False):
            ask = _ask(connection, work, around)
            found = compare_with_stored(judgement, begin, work.series, work.stored, ask)
            work.new = replace(work.new, verdicts=[found.verdicts.get(i) for i in work.new.ids])
            settled[id(work)] = found
    ensure_months(connection, (at for work in works for at in work.new.taken_at))
    online_rows.no_longer_current(connection, [i for work in works for i in work.replaced])
    online_rows.insert_readings(connection, [_row_of(work) for work in works])
    online_days.put_days(connection, [(*_key(work), those) for work, those in zip(works, days, strict=True)])
    _tell(connection, [(work, settled[id(work)]) for work in judged], around, within)


def _key(work: _Work) -> tuple[int, int]:
    return work.part.compartment_id, work.part.source.id


def _row_of(work: _Work) -> tuple[Belonging, NewReadings]:
    return Belonging(*_key(work), work.part.received_at, RULE_SET), work.new


def _ask(connection: Connection, work: _Work, around: _RecordingContext) -> ComparisonTerms:
    """Only readings at least as new as the newest that counts may raise or clear an alert."""
    compartment_id, source_id = _key(work)
    heard = around.heard.get(source_id)
    newest = None
    if heard is not None and min(work.new.taken_at) <= heard.newest:
        newest = samples.newest_judged(connection, compartment_id, source_id, {i for i, _ in work.replaced})
    fresh = set(work.new.ids)
    context = around.judging.contexts[compartment_id]
    return ComparisonTerms(
        source=work.part.source.source,
        options=report_options(context.asset, context.compartment),
        since=min(work.new.taken_at),
        may_speak=lambda sample_id, at: sample_id in fresh and (newest is None or at >= newest),
    )


def _tell(
    connection: Connection,
    settled: Sequence[tuple[_Work, Comparison]],
    around: _RecordingContext,
    within: RecordingTerms,
) -> None:
    """Stored readings that stand otherwise, alerts, and what is told in full."""
    by = By(within.now, RULE_SET)
    states = alerts.states_of(connection, [work.part.compartment_id for work, _ in settled])
    spoke: set[int] = set()
    told: list[Judged] = []
    for work, found in settled:
        assessments.replace_verdicts(connection, _key(work), found.changed, by)
        compartment_id = work.part.compartment_id
        asset = around.judging.contexts[compartment_id].asset
        news = News(compartment_id, work.part.source.source, asset, within.public_url)
        known = None if compartment_id in spoke else states
        raise_alerts(connection, news, found.speaking, within.now, known)
        spoke.add(compartment_id)
        told += found.told.values()
    assessments.save_full(connection, told, within.now)


def _note_heard(
    connection: Connection, posts: Sequence[Post], around: _RecordingContext, changed: Collection[int]
) -> None:
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
        earlier = around.heard.get(source_id)
        newest = max([*times, *([earlier.newest] if earlier else [])], default=post.received_at)
        new = source_id in changed or earlier is None
        token = around.tokens.get(source_id, 0) if new or earlier is None else earlier.token
        states[source_id] = (post.received_at, newest, token)
    instrument_states.heard(connection, states)


def works_ends(works: Sequence[_Work], tokens: Mapping[int, int]) -> list[Remembered]:
    """The ends of the series that only grew, to be remembered under the tokens that are written now."""
    several = Counter(_key(work) for work in works)
    return [
        end_of(_key(work), tokens[work.part.source.id], work.stored, work.new, work.series)
        for work in works
        if several[_key(work)] == 1
        and work.to_the_end
        and not work.replaced
        and list(work.new.taken_at) == sorted(work.new.taken_at)
        and (not work.stored.taken_at or min(work.new.taken_at) > work.stored.taken_at[-1])
    ]
