"""Stored on-line readings judged once more: some were put right, the rules are new, or somebody asks."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from app.domain.judging.engine import RULE_SET, Judgement
from app.domain.judging.report import ReportOptions
from app.domain.model import SourceKind, utc_day
from app.services.judging.compare_online import Comparison, ComparisonTerms, compare_with_stored
from app.services.judging.context import JudgingContext, judging_context
from app.services.judging.evidence import SampleEvidence, acts_of
from app.services.judging.judged_series import judge_all
from app.services.judging.laboratory_series import report_options
from app.services.judging.online_series import (
    OnlineSeries,
    days_of,
    history_of,
    renew,
    spells,
    stored_series,
    window_of,
)
from app.store.database import Connection
from app.store.judging import assessments
from app.store.judging.assessments import By, Judged
from app.store.pages.view_samples import SampleView
from app.store.recording import instrument_states, online_days, online_rows
from app.store.recording.online_rows import StoredRows
from app.store.recording.samples import places_of
from app.store.registering import source_lookup

_EVER = (datetime(1900, 1, 1, tzinfo=UTC), datetime(9000, 1, 1, tzinfo=UTC))


@dataclass(frozen=True, slots=True)
class OnlineKey:
    """Which series: an instrument in a compartment."""

    compartment_id: int
    source: source_lookup.StoredSource

    @property
    def pair(self) -> tuple[int, int]:
        return self.compartment_id, self.source.id


@dataclass(frozen=True, slots=True)
class StoredSeries:
    """A series as it is stored, and what it is judged by."""

    key: OnlineKey
    rows: StoredRows
    series: OnlineSeries
    context: JudgingContext


@dataclass(frozen=True, slots=True)
class Again:
    """How a stored series is judged again: readings from ``since`` on, ``heard`` (sample ids) by the alerts."""

    since: datetime
    heard: Collection[int]
    now: datetime


def judge_times_again(
    connection: Connection,
    key: OnlineKey,
    times: Sequence[datetime],
    heard: Collection[int],
    now: datetime,
) -> list[SampleEvidence]:
    """Something else counts at some times than before: renew those days and judge what they can have changed.

    Returns the evidence of those of ``heard`` (sample ids) that can move an alert, in time order.
    """
    evidence: list[SampleEvidence] = []
    for span in spells(times):
        stored = _read(connection, key, span)
        touched = sorted({utc_day(at) for at in times if span[0] <= at <= span[1]})
        (days,) = renew([(stored.series, touched)])
        online_days.put_days(connection, [(*key.pair, days)])
        instrument_states.touch(connection, key.source.id)
        evidence += _judge_again(connection, stored, Again(span[0], heard, now)).evidence
    return evidence


def judge_series_again(
    connection: Connection, key: OnlineKey, newest: int, now: datetime
) -> tuple[int, int, list[SampleEvidence]]:
    """Judge a whole series under the rules and the registration of today.

    Returns how many readings it has, how many of them are judged otherwise than before, and the evidence of the
    ``newest`` so many.
    """
    stored = _read(connection, key, _EVER)
    heard = set(stored.series.ids[-newest:])
    found = _judge_again(connection, stored, Again(_EVER[0], heard, now))
    changed = len(found.changed) + _assess_again(connection, stored, now)
    online_rows.under_rules(connection, *key.pair, RULE_SET)
    instrument_states.touch(connection, key.source.id)
    return len(stored.series.ids), changed, found.evidence


def _read(connection: Connection, key: OnlineKey, span: tuple[datetime, datetime]) -> StoredSeries:
    rows = window_of(connection, *key.pair, span)
    series = stored_series(rows, days_of(connection, *key.pair, span), key.pair)
    return StoredSeries(key, rows, series, judging_context(connection, [key.compartment_id], span))


def _judge_again(connection: Connection, stored: StoredSeries, again: Again) -> Comparison:
    """Judge a series and write down what is otherwise than before."""
    if not stored.series.ids:
        return Comparison({}, [], {}, [])
    (judged,) = judge_all(stored.context, [stored.series])
    terms = ComparisonTerms(
        stored.key.source.source,
        _options(stored.context, stored.series, detailed=True),
        again.since,
        lambda sample_id, _: sample_id in again.heard,
        acts_of(stored.context.events.get(stored.key.compartment_id, ())),
    )
    found = compare_with_stored(judged, stored.rows, terms)
    assessments.replace_verdicts(connection, stored.key.pair, found.changed, By(again.now, RULE_SET))
    assessments.save_full(connection, list(found.assessed.values()), again.now)
    return found


def _assess_again(connection: Connection, stored: StoredSeries, now: datetime) -> int:
    """What is assessed in full is assessed as it is seen now; returns how many say something else than before."""
    before = assessments.current_of(connection, stored.series.ids)
    if not before:
        return 0
    (judged,) = judge_all(stored.context, [stored.series])
    place = {sample_id: row for row, sample_id in enumerate(stored.series.ids)}
    again = []
    for sample_id, row in before.items():
        options = _options(stored.context, stored.series, detailed=bool(row["detail"]["certainty"]))
        at = place[sample_id]
        again.append(Judged(sample_id, stored.series.taken_at[at], judged.assessment(at, options)))
    return assessments.save(connection, again, now)


# --- on demand --------------------------------------------------------------------------------------------


def judgement_at(
    connection: Connection, compartment_id: int, source_id: int, at: datetime
) -> tuple[OnlineSeries, Judgement] | None:
    """A judgement of the reading at a time, with the days before it; None when nothing counts there."""
    series = history_of(connection, (compartment_id, source_id), at)
    if not series.ids:
        return None
    (judged,) = judge_all(judging_context(connection, [compartment_id], (at, at)), [series])
    return series, judged.judgement


def with_full_assessments(
    connection: Connection, views: Mapping[int, SampleView], *, detailed: bool
) -> dict[int, SampleView]:
    """The views, with what can be said in full of on-line readings of which only the verdict is stored.

    It is worked out now, as they would be judged today: late readings and changed rules have their say.
    """
    wanted = [
        v.id
        for v in views.values()
        if v.source_kind is SourceKind.INSTRUMENT and v.counts and v.rule_set and v.assessment is None
    ]
    places = places_of(connection, wanted)
    if not places:
        return dict(views)
    times = [at for _, _, at in places.values()]
    around = judging_context(connection, sorted({c for c, _, _ in places.values()}), (min(times), max(times)))
    found = dict(views)
    left = list(places.items())
    while left:
        some, left = left[:_AT_ONCE], left[_AT_ONCE:]
        series = [history_of(connection, (c, s), at) for _, (c, s, at) in some]
        for (sample_id, _), judged in zip(some, judge_all(around, series), strict=True):
            options = _options(around, judged.series, detailed=detailed)
            said = judged.assessment(judged.series.ids.index(sample_id), options)
            found[sample_id] = replace(found[sample_id], assessment=said)
    return found


_AT_ONCE = 100
"""Readings whose histories are held at a time."""


def _options(around: JudgingContext, one: OnlineSeries, *, detailed: bool) -> ReportOptions:
    if not detailed:
        return ReportOptions(detailed=False)
    context = around.contexts[one.compartment_id]
    return report_options(context)
