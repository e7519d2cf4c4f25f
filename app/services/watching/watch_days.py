"""Look at an instrument's days once a day: has the unit left its own record, and where has its series come to?

It raises no status. It works on daily medians alone, beside the posts and never in their transaction.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Final

import numpy as np

from app.domain.alerting.conditions.online_change import ONLINE_CHANGE
from app.domain.alerting.notices import Facts, Missed
from app.domain.alerting.suppression import suppressed
from app.domain.judging.frame import Floats, SampleFrame, to_time
from app.domain.judging.norms import norming_of
from app.domain.judging.rules.levels import judge_levels
from app.domain.model import utc_day
from app.domain.watching.change import changed_words
from app.domain.watching.found import FoundOnline, find_online
from app.domain.watching.online_course import Limits
from app.domain.watching.record import DayRecord, day_record, number_of
from app.science.quantities import INDEX, NAMES, NORM_GASES
from app.services.alerting.instrument_alerts import ConditionState, move
from app.services.judging.context import JudgingContext, judging_context
from app.services.judging.online_courses import online_courses_of
from app.services.mailing.compose_notice import NoticeNews, enqueue_notice
from app.store.alerting import alerts
from app.store.database import Connection, Database
from app.store.instruments import instruments
from app.store.registering.fleet import lock_compartments
from app.store.registering.source_lookup import StoredSource, source_of
from app.store.watching import online_courses
from app.store.watching.online_courses import OnlineCourse

GRACE: Final = timedelta(hours=1)
"""A day is looked at so long after it is over: the last readings of it are here by then. Later ones: the next day."""
LONGEST: Final = timedelta(days=3653)
"""How far back days are looked at."""


def watch_due(database: Database, now: datetime, public_url: str, limit: int = 10) -> int:
    """Look at the days of the instruments whose look is due, at most ``limit`` of them; returns how many.

    Several workers may do so at once: each instrument is taken by one.
    """
    due_at = datetime.combine(utc_day(now - GRACE), time(), UTC) + GRACE
    with database.write() as connection:
        due = online_courses.claim_due(connection, now, due_at, limit)
    for source_id in due:
        watch_instrument(database, source_id, now, public_url)
    return len(due)


def watch_instrument(database: Database, source_id: int, now: datetime, public_url: str) -> list[FoundOnline]:
    """Look at the days of one instrument now: what is found is kept, a change told; returns what was found."""
    with database.read() as connection:
        stored = source_of(connection, source_id)
        own = list(stored.compartments.values())
        around = judging_context(connection, own, (now, now))
        read = {c: _read(connection, c, source_id, around, now) for c in own}
    found = {c: _find(c, one, around, now) for c, one in read.items() if len(one.record)}
    for compartment_id in own:
        with database.write() as connection:
            lock_compartments(connection, [compartment_id])
            if compartment_id in found:
                online_courses.keep(connection, compartment_id, source_id, found[compartment_id], now)
            else:  # of the baseline that began no day is over: what was said of the one before is over
                online_courses.forget(connection, compartment_id, source_id)
            _tell(connection, compartment_id, stored, now, public_url)
    return list(found.values())


@dataclass(frozen=True, slots=True)
class _Read:
    """The days of a series, and the newest median of oxygen and of nitrogen among them; NaN where none is known."""

    record: DayRecord
    air: Floats


def _read(
    connection: Connection, compartment_id: int, source_id: int, around: JudgingContext, now: datetime
) -> _Read:
    yesterday = utc_day(now) - timedelta(days=1)
    days = online_courses.days_of(connection, compartment_id, source_id, utc_day(now - LONGEST), yesterday)
    events = around.events.get(compartment_id, ())
    record = day_record(days.day, days.values, days.below, days.drivers, events, yesterday)
    known = [column[np.isfinite(column)] for column in days.air.T]
    return _Read(record, np.array([column[-1] if len(column) else np.nan for column in known]))


def _find(compartment_id: int, read: _Read, around: JudgingContext, now: datetime) -> FoundOnline:
    acts = [e for e in around.events.get(compartment_id, ()) if e.at <= now]
    return find_online(read.record, _limits(compartment_id, read, around), acts)


def _limits(compartment_id: int, read: _Read, around: JudgingContext) -> Limits:
    """The limits that judge the last day: by its own oxygen and nitrogen, or by those of a laboratory."""
    context, record = around.contexts[compartment_id], read.record
    values = np.full((1, len(NAMES)), np.nan)
    values[0, : len(NORM_GASES)] = record.references[-1]
    values[0, [INDEX[name] for name in online_courses.AIR]] = read.air
    at = np.array([float(number_of(record.ends))])
    ratios = around.ratios.get(compartment_id, ())
    frame = SampleFrame(
        series=np.zeros(1, dtype=np.int64),
        at=at,
        values=values,
        below=np.zeros(values.shape, dtype=np.bool_),
        age=context.asset.ages_years(at),
        online=np.ones(1, dtype=np.bool_),
        oxygen_ratio=np.array([ratios[-1][1] if ratios else np.nan]),
    )
    levels = judge_levels(frame, norming_of(context.asset, around.limits, 1, context.compartment.kind))
    barred = levels.barred[0] > 0
    return Limits(
        *(np.full_like(one[0], np.nan) if barred else one[0] for one in (levels.typical, levels.high))
    )


def _tell(
    connection: Connection, compartment_id: int, looked: StoredSource, now: datetime, public_url: str
) -> None:
    """How the condition of a compartment stands, by all instruments that watch it."""
    subject = alerts.Subject(compartment_id=compartment_id)
    stored = alerts.states_of(connection, [compartment_id]).get((compartment_id, ONLINE_CHANGE))
    courses = online_courses_of(connection, [compartment_id]).get(compartment_id, [])
    changed = [c for c in courses if c.found.watch.severity]
    worst = changed[0] if changed else None
    headline = "; ".join(changed_words(c.found.watch) for c in changed) or ONLINE_CHANGE.over
    source_id = worst.source_id if worst else looked.id
    day = worst.day if worst else utc_day(now)
    said = ConditionState(
        worst.found.watch.severity if worst else 0,
        headline,
        since=_began(worst),
        memory={"days": {"source_id": source_id, "said": headline}} if worst else None,
    )
    moved = move(connection, subject, ONLINE_CHANGE, stored, said, now)
    if moved is None or suppressed(moved.transition, to_time(float(number_of(day))), now):
        return
    about = instruments.instruments(connection, now, ids=[source_id])
    if about:
        facts = Facts(moved.transition.change, headline, (Missed(about[0]),), now)
        enqueue_notice(connection, NoticeNews(moved.told, ONLINE_CHANGE, facts), public_url)


def _began(worst: OnlineCourse | None) -> datetime | None:
    if worst is None or worst.found.watch.began is None:
        return None
    return to_time(float(number_of(date.fromisoformat(worst.found.watch.began))))
