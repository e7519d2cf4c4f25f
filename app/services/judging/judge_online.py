"""Stored on-line readings judged once more: some were put right, the rules are new, or somebody asks."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from app.domain.judging.engine import RULE_SET, Judgement
from app.domain.judging.report import ReportOptions, report
from app.domain.model import SourceKind, utc_day
from app.services.judging.compare_online import ComparisonTerms, compare_with_stored
from app.services.judging.context import JudgingContext, judging_context
from app.services.judging.evidence import SampleEvidence
from app.services.judging.laboratory_series import report_options
from app.services.judging.online_series import (
    OnlineSeries,
    days_of,
    history_of,
    judge_all,
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


def judge_times_again(
    connection: Connection,
    key: OnlineKey,
    times: Sequence[datetime],
    speakers: Collection[int],
    now: datetime,
) -> list[SampleEvidence]:
    """Something else counts at some times than before: renew those days and judge what they can have changed.

    Returns those of ``speakers`` (sample ids) that can move an alert, in time order.
    """
    spoken: list[SampleEvidence] = []
    for span in spells(times):
        stored = window_of(connection, *key.pair, span)
        series = stored_series(stored, days_of(connection, *key.pair, span), key.pair)
        touched = sorted({utc_day(at) for at in times if span[0] <= at <= span[1]})
        (days,) = renew([(series, touched)])
        online_days.put_days(connection, [(*key.pair, days)])
        instrument_states.touch(connection, key.source.id)
        around = judging_context(connection, [key.compartment_id], span)
        _, said = _judge_again(connection, key, (stored, series), around, (span[0], speakers, now))
        spoken += said
    return spoken


def judge_series_again(
    connection: Connection, key: OnlineKey, newest: int, now: datetime
) -> tuple[int, int, list[SampleEvidence]]:
    """Judge a whole series under the rules and the registration of today.

    Returns how many readings it has, how many stand otherwise than before, and what the ``newest`` so many show.
    """
    stored = online_rows.stored_rows(connection, *key.pair, *_EVER)
    series = stored_series(stored, days_of(connection, *key.pair, _EVER), key.pair)
    around = judging_context(connection, [key.compartment_id], _EVER)
    speakers = set(series.ids[-newest:])
    changed, said = _judge_again(connection, key, (stored, series), around, (_EVER[0], speakers, now))
    changed += _tell_again(connection, series, around, now)
    online_rows.under_rules(connection, *key.pair, RULE_SET)
    instrument_states.touch(connection, key.source.id)
    return len(series.ids), changed, said


def _tell_again(connection: Connection, series: OnlineSeries, around: JudgingContext, now: datetime) -> int:
    """What is told in full is told as it is seen now; returns how many say something else than before."""
    before = assessments.current_of(connection, series.ids)
    if not before:
        return 0
    judgement, _ = judge_all(around, [series])
    place = {sample_id: row for row, sample_id in enumerate(series.ids)}
    again = []
    for i, row in before.items():
        options = _options(around, series, detailed=bool(row["detail"]["certainty"]))
        again.append(Judged(i, series.taken_at[place[i]], report(judgement, place[i], options)))
    return assessments.save(connection, again, now)


def _judge_again(
    connection: Connection,
    key: OnlineKey,
    what: tuple[StoredRows, OnlineSeries],
    around: JudgingContext,
    how: tuple[datetime, Collection[int], datetime],
) -> tuple[int, list[SampleEvidence]]:
    (stored, series), (since, speakers, now) = what, how
    if not series.ids:
        return 0, []
    judgement, _ = judge_all(around, [series])
    context = around.contexts[key.compartment_id]
    ask = ComparisonTerms(
        key.source.source,
        report_options(context.asset, context.compartment),
        since,
        lambda sample_id, _: sample_id in speakers,
    )
    found = compare_with_stored(judgement, 0, series, stored, ask)
    by = By(now, RULE_SET)
    assessments.replace_verdicts(connection, key.pair, found.changed, by)
    assessments.save_full(connection, list(found.told.values()), now)
    return len(found.changed), found.speaking


# --- on demand --------------------------------------------------------------------------------------------


def judgement_at(
    connection: Connection, compartment_id: int, source_id: int, at: datetime
) -> tuple[OnlineSeries, Judgement] | None:
    """A judgement of the reading at a time, with the days before it; None when nothing counts there."""
    series = history_of(connection, (compartment_id, source_id), at)
    if not series.ids:
        return None
    judgement, _ = judge_all(judging_context(connection, [compartment_id], (at, at)), [series])
    return series, judgement


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
        judgement, begins = judge_all(around, series)
        for (sample_id, _), one, begin in zip(some, series, begins, strict=False):
            options = _options(around, one, detailed=detailed)
            said = report(judgement, begin + one.ids.index(sample_id), options)
            found[sample_id] = replace(found[sample_id], assessment=said)
    return found


_AT_ONCE = 100
"""Readings whose histories are held at a time."""


def _options(around: JudgingContext, one: OnlineSeries, *, detailed: bool) -> ReportOptions:
    if not detailed:
        return ReportOptions(detailed=False)
    context = around.contexts[one.compartment_id]
    return report_options(context.asset, context.compartment)
