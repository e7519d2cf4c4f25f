"""What a judgement of on-line readings changes in the record: short verdicts, and what is assessed in full."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache

import numpy as np

from app.domain.alerting.conditions.registry import evidence
from app.domain.alerting.online_shown import OnlineShown
from app.domain.alerting.shown import Speaker
from app.domain.findings import Assessment
from app.domain.judging.frame import to_days
from app.domain.judging.light_view import OnlineView, ShortVerdict, online_view
from app.domain.judging.report import ReportOptions
from app.domain.model import Source
from app.services.judging.evidence import SampleEvidence, last_act
from app.services.judging.judged_series import JudgedSeries
from app.store.judging.assessments import ChangedVerdict, Judged
from app.store.recording.online_rows import StoredRows


@dataclass(frozen=True)
class Comparison:
    """What is to be written of one series, and which of its readings the alerts hear.

    Attributes:
        verdicts: short verdicts of the new readings, by their id.
        changed: stored readings whose short verdict is another than before, in time order.
        assessed: full assessments, by id, of readings whose verdict is not that of the reading before; and those
            that the alerts ask for meanwhile.
        evidence: of the readings that may move alerts, in time order.
    """

    verdicts: dict[int, ShortVerdict]
    changed: list[ChangedVerdict]
    assessed: dict[int, Judged]
    evidence: list[SampleEvidence]


@dataclass(frozen=True)
class ComparisonTerms:
    """Who measured, what a full assessment reads, since when readings are compared, and which may move alerts."""

    source: Source
    options: ReportOptions
    since: datetime
    may_move_alerts: Callable[[int, datetime], bool]
    """Of a sample's id and time."""
    acts: Sequence[datetime] = ()
    """When work on the oil or a review was recorded, oldest first."""


def compare_with_stored(judged: JudgedSeries, stored: StoredRows, terms: ComparisonTerms) -> Comparison:
    """Compare the readings of one series with what is stored of them.

    A reading is assessed in full where its verdict is not that of the reading before it, so that the moment of every
    change is kept in words and figures.
    """
    series = judged.series
    first = int(np.searchsorted(series.at, to_days(terms.since), side="left"))
    rows = np.arange(first, len(series.ids), dtype=np.int64)
    view = online_view(judged.judgement, judged.begin + rows)
    before = _verdicts_before(judged, stored, first, view)
    found = Comparison({}, [], {}, [])
    brief = replace(terms.options, detailed=False)
    for place, row in enumerate(rows):
        sample_id, taken_at, verdict = series.ids[row], series.taken_at[row], view.verdicts[place]
        old = int(series.stored[row])
        if old < 0:
            found.verdicts[sample_id] = verdict
        elif verdict != stored.verdicts[old]:
            found.changed.append(ChangedVerdict(sample_id, taken_at, verdict))
        else:
            continue
        if verdict != before[place]:
            assessment = judged.assessment(int(row), brief)
            found.assessed[sample_id] = Judged(sample_id, taken_at, assessment)
    heard = [
        place
        for place, row in enumerate(rows)
        if terms.may_move_alerts(series.ids[row], series.taken_at[row])
    ]
    shown = OnlineShown(view)
    for place in shown.that_can_move_alerts(heard):
        at = first + place
        sample_id, taken_at = series.ids[at], series.taken_at[at]
        by = Speaker(terms.source.code, True, taken_at, last_act(terms.acts, taken_at))
        says = evidence(shown.row(place, by))
        assess = _assess_when_asked(judged, at, terms.options, found.assessed)
        found.evidence.append(SampleEvidence(sample_id, taken_at, says, assess))
    return found


def _verdicts_before(
    judged: JudgedSeries, stored: StoredRows, first: int, view: OnlineView
) -> list[ShortVerdict | None]:
    """The verdict of the reading before each of the rows; None before the first of all."""
    if not view.verdicts:
        return []
    earlier = stored.verdicts[int(judged.series.stored[first - 1])] if first > 0 else None
    return [None if earlier is None else ShortVerdict(*earlier), *view.verdicts[:-1]]


def _assess_when_asked(
    judged: JudgedSeries, row: int, options: ReportOptions, assessed: dict[int, Judged]
) -> Callable[[], Assessment]:
    """The full assessment of a row, worked out once, and only if an alert moves; it is then kept like the others."""

    @cache
    def assess() -> Assessment:
        sample_id = judged.series.ids[row]
        assessment = judged.assessment(row, options)
        assessed[sample_id] = Judged(sample_id, judged.series.taken_at[row], assessment)
        return assessment

    return assess
