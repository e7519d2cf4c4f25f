"""On-line readings in: many posts of many instruments, judged together, in one transaction.

The readings are judged before they are stored, so that a row is written once and complete. Nearly all of them say
what the one before said, and are stored with how they stand; see :mod:`app.services.settle_online` for what is told.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import islice

from app.domain.columns import SampleColumns
from app.domain.engine import RULE_SET
from app.domain.maintenance import Spell
from app.domain.model import SetAside, utc_day
from app.services.judging import report_options
from app.services.new_readings import Fresh
from app.services.online_series import (
    OnlineSeries,
    days_of,
    judge_all,
    merged,
    renew,
    spells,
    window_of,
)
from app.services.outcomes import Outcome
from app.services.raise_alerts import News, raise_alerts
from app.services.settle_online import Settled, Settling, settle
from app.services.surroundings import Surroundings, surroundings_of
from app.store import alerts, assessments, fleet, maintenance, online_rows, retention, samples
from app.store.assessments import By, Told
from app.store.database import Connection
from app.store.online_rows import Belonging, FileOrigin, NewReadings, StoredRows
from app.store.partitions import ensure_months


@dataclass(frozen=True, slots=True)
class Post:
    """What one instrument posted, and when it came."""

    source: fleet.StoredSource
    columns: SampleColumns
    received_at: datetime
    origin: FileOrigin | None = None
    """Where the rows stand, when they come from a file."""


def record_posts(
    connection: Connection, posts: Sequence[Post], now: datetime, public_url: str
) -> list[list[Outcome]]:
    """Record posts of different instruments; the outcomes of each in the order of its samples.

    No two posts may serve the same compartment.
    """
    outcomes: list[list[Outcome | None]] = [_refused(post.columns) for post in posts]
    parts = [part for place, post in enumerate(posts) for part in _parts(place, post)]
    parts = _taken_in(parts, retention.raw_begins(connection), outcomes)
    fleet.lock_compartments(connection, (part.compartment_id for part in parts))
    around = _around(connection, parts)
    # a time that comes more than once is taken in order: one of them a round
    while parts:
        again = _round(connection, parts, around, now, public_url)
        for part in parts:
            for row, outcome in part.outcomes.items():
                outcomes[part.post][part.columns.place[row]] = outcome
        parts = again
    _note_heard(connection, posts, around)
    return [[o for o in one if o is not None] for one in outcomes]


@dataclass
class _Part:
    """The rows of one post that concern one compartment."""

    post: int
    source: fleet.StoredSource
    compartment_id: int
    columns: SampleColumns
    rows: list[int]
    received_at: datetime
    origin: FileOrigin | None
    outcomes: dict[int, Outcome | None] = field(default_factory=dict)

    def times(self) -> list[datetime]:
        return [self.columns.taken_at[row] for row in self.rows]


def _refused(columns: SampleColumns) -> list[Outcome | None]:
    found: list[Outcome | None] = [None] * columns.size
    for one in columns.rejections:
        assert one.index is not None
        found[one.index] = Outcome("rejected", field=one.field, reason=one.reason)
    return found


def _parts(place: int, post: Post) -> list[_Part]:
    by_name: dict[str, list[int]] = defaultdict(list)
    for row, name in enumerate(post.columns.compartment):
        by_name[name].append(row)
    return [
        _Part(
            place,
            post.source,
            post.source.compartments[name],
            post.columns,
            rows,
            post.received_at,
            post.origin,
        )
        for name, rows in by_name.items()
    ]


def _taken_in(
    parts: Sequence[_Part], begins: datetime | None, outcomes: list[list[Outcome | None]]
) -> list[_Part]:
    """What is left without readings of a time whose raw readings have ended: one of them that comes late would
    take the place of a whole day's summary."""
    if begins is None:
        return list(parts)
    reason = f"lies before {begins:%Y-%m-%d} UTC: raw readings of that time have passed retention, none is taken in"
    for part in parts:
        for row in part.rows:
            if part.columns.taken_at[row] < begins:
                place = part.columns.place[row]
                outcomes[part.post][place] = Outcome("rejected", None, f"samples[{place}].taken_at", reason)
    left = [[row for row in part.rows if part.columns.taken_at[row] >= begins] for part in parts]
    return [replace(part, rows=rows) for part, rows in zip(parts, left, strict=True) if rows]


@dataclass(frozen=True, slots=True)
class _Around:
    surroundings: Surroundings
    newest: dict[int, datetime]
    """By source id, the time of the newest sample that it ever sent."""
    spells: Mapping[int, Sequence[Spell]]


def _around(connection: Connection, parts: Sequence[_Part]) -> _Around:
    times = [at for part in parts for at in part.times()]
    sources = sorted({part.source.id for part in parts})
    ids = sorted({part.compartment_id for part in parts})
    return _Around(
        surroundings_of(connection, ids, (min(times), max(times))) if times else Surroundings({}, {}, [], {}),
        online_rows.newest_heard(connection, sources),
        maintenance.spells(connection, sources),
    )


# --- a round ----------------------------------------------------------------------------------------------


@dataclass
class _Work:
    """One spell of one part, from what is stored to what is written."""

    part: _Part
    stored: StoredRows
    series: OnlineSeries
    new: NewReadings
    replaced: list[int]
    """Ids of the revisions that are no longer current."""


def _round(
    connection: Connection, parts: Sequence[_Part], around: _Around, now: datetime, public_url: str
) -> list[_Part]:
    """Record each time once; returns what is left."""
    left: list[_Part] = []
    found: list[_Found] = []
    for part in parts:
        first, again = _first_of_each_time(part)
        part.outcomes = dict.fromkeys(first)
        if again:
            left.append(replace(part, rows=again))
        for since, until in spells([part.columns.taken_at[row] for row in first]):
            rows = [row for row in first if since <= part.columns.taken_at[row] <= until]
            found.append(_look_up(connection, part, rows))
    found = [one for one in found if one.fresh.rows]
    if found:
        ids = iter(online_rows.next_ids(connection, sum(len(one.fresh.rows) for one in found)))
        works = [_prepare(connection, one, around, list(islice(ids, len(one.fresh.rows)))) for one in found]
        _judge_and_store(connection, works, around, Mailing(now, public_url))
    return left


def _first_of_each_time(part: _Part) -> tuple[list[int], list[int]]:
    seen: set[datetime] = set()
    first: list[int] = []
    again: list[int] = []
    for row in part.rows:
        at = part.columns.taken_at[row]
        (again if at in seen else first).append(row)
        seen.add(at)
    return first, again


@dataclass(frozen=True, slots=True)
class _Found:
    """Rows of a part within one spell, and which of them are new."""

    part: _Part
    span: tuple[datetime, datetime]
    stored: StoredRows
    fresh: Fresh

    @property
    def key(self) -> tuple[int, int]:
        return self.part.compartment_id, self.part.source.id


def _look_up(connection: Connection, part: _Part, rows: list[int]) -> _Found:
    """What is known already and what is new of some rows. Notes the outcomes of what is known."""
    times = [part.columns.taken_at[row] for row in rows]
    key, span = (part.compartment_id, part.source.id), (min(times), max(times))
    stored = window_of(connection, *key, span)
    fresh = Fresh(part.columns, stored)
    for row in rows:
        known = fresh.take(row)
        if known is not None:
            part.outcomes[row] = Outcome("already_known", known)
    _leave_put_right(connection, part, key, fresh)
    return _Found(part, span, stored, fresh)


def _prepare(connection: Connection, found: _Found, around: _Around, ids: list[int]) -> _Work:
    """The new rows and the series that they are judged in. Notes their outcomes."""
    part, fresh, stored = found.part, found.fresh, found.stored
    new = fresh.readings(ids, around.spells.get(part.source.id, ()))
    for row, sample_id, result, aside in zip(fresh.rows, new.ids, fresh.results, new.set_aside, strict=True):
        part.outcomes[row] = Outcome(result, sample_id, set_aside=None if aside is None else SetAside(aside))
    gone = [place for place in fresh.replaced if place is not None]
    if part.origin is not None:
        new = replace(new, origin=part.origin.of(fresh.rows))
    series = merged(found.key, stored, new, gone, days_of(connection, *found.key, found.span))
    return _Work(part, stored, series, new, [stored.ids[place] for place in gone])


def _leave_put_right(connection: Connection, part: _Part, key: tuple[int, int], fresh: Fresh) -> None:
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


@dataclass(frozen=True, slots=True)
class Mailing:
    """When it is decided, and where a mail about it leads."""

    now: datetime
    public_url: str


def _judge_and_store(
    connection: Connection, works: Sequence[_Work], around: _Around, mailing: Mailing
) -> None:
    touched = [sorted({utc_day(at) for at in work.new.taken_at}) for work in works]
    days = renew([(work.series, those) for work, those in zip(works, touched, strict=True)])
    judged = [work for work in works if work.series.ids]
    settled: dict[int, Settled] = {}
    if judged:
        judgement, begins = judge_all(around.surroundings, [work.series for work in judged])
        for work, begin in zip(judged, begins, strict=False):
            ask = _ask(connection, work, around)
            settled[id(work)] = settle(judgement, begin, work.series, work.stored, ask)
    ensure_months(connection, (at for work in works for at in work.new.taken_at))
    online_rows.no_longer_current(connection, [i for work in works for i in work.replaced])
    online_rows.insert_readings(connection, [_row_of(work, settled.get(id(work))) for work in works])
    online_rows.put_days(connection, [(*_key(work), those) for work, those in zip(works, days, strict=True)])
    _tell(connection, [(work, settled[id(work)]) for work in judged], around, mailing)


def _key(work: _Work) -> tuple[int, int]:
    return work.part.compartment_id, work.part.source.id


def _row_of(work: _Work, settled: Settled | None) -> tuple[Belonging, NewReadings]:
    belonging = Belonging(*_key(work), work.part.received_at, RULE_SET)
    if settled is None:
        return belonging, work.new
    return belonging, replace(work.new, standings=[settled.standings.get(i) for i in work.new.ids])


def _ask(connection: Connection, work: _Work, around: _Around) -> Settling:
    """Only readings at least as new as the newest that counts may raise or clear an alert."""
    compartment_id, source_id = _key(work)
    known = around.newest.get(source_id)
    newest = None
    if known is not None and min(work.new.taken_at) <= known:
        newest = samples.newest_judged(connection, compartment_id, source_id, set(work.replaced))
    fresh = set(work.new.ids)
    context = around.surroundings.contexts[compartment_id]
    return Settling(
        source=work.part.source.source,
        options=report_options(context.asset, context.compartment),
        since=min(work.new.taken_at),
        may_speak=lambda sample_id, at: sample_id in fresh and (newest is None or at >= newest),
    )


def _tell(
    connection: Connection, settled: Sequence[tuple[_Work, Settled]], around: _Around, mailing: Mailing
) -> None:
    """Stored readings that stand otherwise, alerts, and what is told in full."""
    by = By(mailing.now, RULE_SET)
    states = alerts.states_of(connection, [work.part.compartment_id for work, _ in settled])
    spoke: set[int] = set()
    told: list[Told] = []
    for work, found in settled:
        assessments.stand_anew(connection, found.changed, by)
        compartment_id = work.part.compartment_id
        asset = around.surroundings.contexts[compartment_id].asset
        news = News(compartment_id, work.part.source.source, asset, mailing.public_url)
        known = None if compartment_id in spoke else states
        raise_alerts(connection, news, found.speaking, mailing.now, known)
        spoke.add(compartment_id)
        told += found.all_told()
    assessments.tell(connection, told, mailing.now)


def _note_heard(connection: Connection, posts: Sequence[Post], around: _Around) -> None:
    states = {}
    for post in posts:
        times = [
            at
            for at, aside in zip(post.columns.taken_at, post.columns.set_aside, strict=True)
            if aside is not SetAside.CLOCK_AHEAD
        ]
        earlier = around.newest.get(post.source.id)
        if len(post.columns):
            newest = max([*times, *([earlier] if earlier else [])], default=post.received_at)
            states[post.source.id] = (post.received_at, newest)
    online_rows.heard(connection, states)
