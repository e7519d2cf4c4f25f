"""From the rows of a post to what is to be stored of them: looked up in the record, new ones made ready.

A :class:`Found` says which rows are new; a :class:`SeriesWork` is one of them made ready to be judged and stored.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from app.domain.model import SetAside
from app.services.judging.compare_online import Comparison
from app.services.judging.online_series import (
    FAR,
    OnlineSeries,
    days_of,
    merged_series,
    window_of,
)
from app.services.recording.new_readings import Fresh
from app.services.recording.outcomes import Outcome
from app.services.recording.post_parts import Part
from app.services.recording.recording_context import RecordingContext
from app.store.database import Connection
from app.store.recording import samples
from app.store.recording.online_days import StoredDays
from app.store.recording.online_rows import NewReadings, StoredRows


@dataclass(frozen=True, slots=True)
class Found:
    """Rows of a part within one spell, and which of them are new."""

    part: Part
    span: tuple[datetime, datetime]
    stored: StoredRows
    days: StoredDays | None
    """None: not read yet."""
    fresh: Fresh
    to_the_end: bool
    """Nothing is stored behind what was looked at."""


@dataclass
class SeriesWork:
    """One spell of one part, from what is stored to what is written."""

    part: Part
    stored: StoredRows
    series: OnlineSeries
    new: NewReadings
    replaced: list[tuple[int, datetime]]
    """Ids and times of the revisions that are no longer current."""
    to_the_end: bool
    comparison: Comparison | None = None
    """What the judgement changes; None when nothing of the series counts."""

    @property
    def key(self) -> tuple[int, int]:
        """Ids of the compartment and the instrument."""
        return self.part.key


def look_up(connection: Connection, part: Part, rows: Sequence[int], context: RecordingContext) -> Found:
    """What is known already and what is new of some rows. Notes the outcomes of what is known."""
    times = [part.columns.taken_at[row] for row in rows]
    span = (min(times), max(times))
    heard = context.heard.get(part.source.id)
    end = context.terms.memory.find(part.key, heard.token) if heard else None
    if end is not None and end.serves(span[0]):
        stored, days, newest = end.stored, end.days, True
    else:
        days = None
        # of the newest readings all that is stored is looked at, so that it can be remembered
        newest = heard is None or span[0] > heard.newest
        stored = window_of(connection, *part.key, (span[0], FAR) if newest else span)
    fresh = Fresh(part.columns, stored)
    for row in rows:
        known = fresh.take(row)
        if known is not None:
            part.outcomes[row] = Outcome("already_known", known)
    _leave_corrections(connection, part, fresh)
    return Found(part, span, stored, days, fresh, newest)


def _leave_corrections(connection: Connection, part: Part, fresh: Fresh) -> None:
    """Readings that somebody has put right by hand are known already when they come once more."""
    for row in [row for row, result in zip(fresh.rows, fresh.results, strict=True) if result == "revised"]:
        older = fresh.older(row)
        if not older:
            continue
        by_hand = samples.replaced_by_hand(connection, (*part.key, part.columns.taken_at[row]))
        if any(fresh.id_of(place) in by_hand and fresh.repeats(row, place) for place in older):
            part.outcomes[row] = Outcome("already_known", fresh.current_id(row))
            fresh.drop(row)


def make_ready(connection: Connection, found: Found, context: RecordingContext, ids: list[int]) -> SeriesWork:
    """The new rows, and the series in which they are judged. Notes their outcomes."""
    part, fresh, stored = found.part, found.fresh, found.stored
    new = fresh.readings(ids, context.spells.get(part.source.id, ()))
    for row, sample_id, result, aside in zip(fresh.rows, new.ids, fresh.results, new.set_aside, strict=True):
        part.outcomes[row] = Outcome(result, sample_id, set_aside=None if aside is None else SetAside(aside))
    gone = [place for place in fresh.replaced if place is not None]
    if part.origin is not None:
        new = replace(new, origin=part.origin.of(fresh.rows))
    days = days_of(connection, *part.key, found.span) if found.days is None else found.days
    series = merged_series(part.key, stored, new, gone, days)
    replaced = [(stored.ids[place], stored.taken_at[place]) for place in gone]
    return SeriesWork(part, stored, series, new, replaced, found.to_the_end)
