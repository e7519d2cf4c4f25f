"""Instruments' series judged: one call of the engine for all of them, and each one's rows in what it says."""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from app.domain.findings import Assessment
from app.domain.judging.engine import Judgement, assess
from app.domain.judging.frame import DailyMedians, Floats, SampleFrame, to_days
from app.domain.judging.norms import joined, norming_of
from app.domain.judging.report import ReportOptions, report
from app.domain.model import Preservation, ServiceEvent, utc_day
from app.science.quantities import DAY_COLUMNS, INDEX
from app.services.judging.context import RATIO_AGE, JudgingContext
from app.services.judging.online_series import OnlineSeries, days_now
from app.store.recording.online_days import FIRST_DAY
from app.store.registering import fleet


@dataclass(frozen=True, eq=False)
class JudgedSeries:
    """A series and its rows in a judgement of many series.

    Attributes:
        begin: the place in the judgement of the series' first row.
    """

    series: OnlineSeries
    judgement: Judgement
    begin: int

    def assessment(self, row: int, options: ReportOptions) -> Assessment:
        """What is said of row ``row`` of the series."""
        return report(self.judgement, self.begin + row, options)


def judge_all(around: JudgingContext, series: Sequence[OnlineSeries]) -> list[JudgedSeries]:
    """All series in one judgement, in their order."""
    begins = [0]
    frames, medians, norms = [], [], []
    for number, one in enumerate(series):
        starts = _restarts(around.events.get(one.compartment_id, ()))
        context = around.contexts[one.compartment_id]
        offset = number * _MOST_RESTARTS
        frames.append(_frame(one, context, starts, offset, around.ratios.get(one.compartment_id, ())))
        medians.append(_medians(one, starts, offset))
        norms.append(norming_of(context.asset, around.limits, len(one.ids), context.compartment.kind))
        begins.append(begins[-1] + len(one.ids))
    frame = SampleFrame(
        *(np.concatenate([getattr(f, name) for f in frames]) for name in SampleFrame.__dataclass_fields__)
    )
    daily = DailyMedians(
        *(np.concatenate([getattr(m, name) for m in medians]) for name in DailyMedians.__dataclass_fields__)
    )
    judgement = assess(frame, daily, joined(norms))
    return [JudgedSeries(one, judgement, begin) for one, begin in zip(series, begins, strict=False)]


_MOST_RESTARTS = 1 << 20
"""Series numbers that one instrument may use: a new one after each restart of its baseline."""


def _restarts(events: Sequence[ServiceEvent]) -> list[datetime]:
    """Times from which an instrument's earlier readings are no longer compared; calibrations count."""
    return sorted(event.at for event in events if event.kind.restarts_baseline)


def _frame(
    one: OnlineSeries,
    context: fleet.CompartmentContext,
    starts: list[datetime],
    offset: int,
    ratios: Sequence[tuple[datetime, float]],
) -> SampleFrame:
    m = len(one.ids)
    number = np.full(m, offset, dtype=np.int64)
    if starts:
        number += np.array([bisect_right(starts, at) for at in one.taken_at], dtype=np.int64)
    return SampleFrame(
        series=number,
        at=one.at,
        values=one.values,
        below=one.below,
        age=context.asset.ages_years(one.at),
        online=np.ones(m, dtype=np.bool_),
        oxygen_ratio=_known_ratios(one.at, ratios),
        blanketed=np.full(m, context.asset.preservation is Preservation.NITROGEN),
        worked=number > offset,
    )


def _known_ratios(at: Floats, ratios: Sequence[tuple[datetime, float]]) -> Floats:
    """For each reading, O2/N2 of the newest laboratory sample before it that has both."""
    if not ratios:
        return np.full(len(at), np.nan)
    times = np.array([to_days(t) for t, _ in ratios])
    known = np.array([ratio for _, ratio in ratios])
    newest = np.searchsorted(times, at, side="right") - 1
    usable = (newest >= 0) & (at - times[np.maximum(newest, 0)] <= RATIO_AGE.total_seconds() / 86_400.0)
    return np.where(usable, known[np.maximum(newest, 0)], np.nan)


def _medians(one: OnlineSeries, starts: list[datetime], offset: int) -> DailyMedians:
    days = days_now(one)
    number = np.full(len(days.day), offset, dtype=np.int64)
    if starts:
        # the day of a restart holds readings from before and after it: it stays with the time before
        first = [utc_day(at).toordinal() - FIRST_DAY for at in starts]
        number += np.searchsorted(first, days.day, side="left")
    width = len(INDEX)
    return DailyMedians(number, days.day, _widened(days.medians, width), _widened(days.limits, width))


def _widened(columns: Floats, width: int) -> Floats:
    wide = np.full((len(columns), width), np.nan)
    wide[:, DAY_COLUMNS] = columns
    return wide
