"""From a compartment's laboratory samples to their assessments: builds the engine's frame and reports every sample."""

from bisect import bisect_right
from collections.abc import Sequence
from datetime import UTC, date, datetime

import numpy as np

from app.domain.judging.engine import Judgement, assess
from app.domain.judging.frame import Bools, DailyMedians, SampleFrame, to_days
from app.domain.judging.norms import norming_of
from app.domain.judging.report import ReportOptions, report
from app.domain.judging.rules.water import WHOLE_DAYS
from app.domain.model import Asset, EventKind, Preservation, ServiceEvent, TapChanger
from app.science.quantities import INDEX
from app.services.judging.context import JudgingContext
from app.store.database import Connection
from app.store.judging.assessments import Judged
from app.store.judging.windows import Window, laboratory_window
from app.store.recording.online_days import FIRST_DAY, oil_temperatures
from app.store.registering.fleet import CompartmentContext

ALWAYS = datetime(1900, 1, 1, tzinfo=UTC)
DETAILED_SAMPLES = 10
"""Laboratory samples of a unit, newest first, that get trends and probabilities: most of the time goes there."""


def judge_since(
    connection: Connection, compartment_id: int, around: JudgingContext, since: datetime
) -> list[Judged]:
    """Assess the laboratory samples of a compartment that those taken from ``since`` on can have changed.

    That is every sample from then on, in time order. Excluded samples and old revisions take no part.
    """
    found = judgement_of(connection, compartment_id, around)
    if found is None:
        return []
    window, judgement = found
    context = around.contexts[compartment_id]
    brief, full = ReportOptions(detailed=False, time_zone=context.site.time_zone), report_options(context)
    newest = len(window.ids) - 1
    dropped = judgement.changes.dropped
    return [
        Judged(
            sample_id, taken_at, report(judgement, row, full if row > newest - DETAILED_SAMPLES else brief)
        )
        for row, (sample_id, taken_at) in enumerate(zip(window.ids, window.taken_at, strict=True))
        # a sample just refuted is told so, though it is older
        if taken_at >= since or (dropped[row] and row < newest and window.taken_at[row + 1] >= since)
    ]


def judgement_of(
    connection: Connection, compartment_id: int, around: JudgingContext
) -> tuple[Window, Judgement] | None:
    """All laboratory samples of a compartment and their judgement; None without any."""
    window = laboratory_window(connection, compartment_id, ALWAYS)
    if not window.ids:
        return None
    context = around.contexts[compartment_id]
    frame = _frame(window, context.asset, around.events.get(compartment_id, ()))
    norming = norming_of(context.asset, around.limits, len(frame), context.compartment.kind)
    return window, assess(frame, _temperatures(connection, compartment_id, frame), norming)


def _temperatures(connection: Connection, compartment_id: int, frame: SampleFrame) -> DailyMedians:
    """The oil's temperature on the whole days before each sample, as instruments of the compartment measured it."""
    series: dict[int, int] = {}
    for number, at in zip(frame.series.tolist(), np.floor(frame.at).astype(np.int64).tolist(), strict=True):
        # a day before two samples stays with the baseline of the first
        for day in range(at - WHOLE_DAYS, at):
            series.setdefault(day, number)
    days = [date.fromordinal(day + FIRST_DAY) for day in sorted(series)]
    found = oil_temperatures(connection, compartment_id, days)
    there = np.array([d.toordinal() - FIRST_DAY for d, _ in found], dtype=np.int64)
    values = np.full((len(found), len(INDEX)), np.nan)
    values[:, INDEX["oil_temperature"]] = [temperature for _, temperature in found]
    numbers = np.array([series[d] for d in there.tolist()], dtype=np.int64)
    return DailyMedians(numbers, there.astype(np.float64), values)


def report_options(context: CompartmentContext) -> ReportOptions:
    """Everything about the unit that a full report reads."""
    asset, compartment = context.asset, context.compartment
    return ReportOptions(
        oil_volume_l=compartment.oil_volume_l or asset.oil_volume_l,
        communicating=asset.tap_changer is TapChanger.COMMUNICATING,
        time_zone=context.site.time_zone,
    )


def _frame(window: Window, asset: Asset, events: Sequence[ServiceEvent]) -> SampleFrame:
    # a calibration concerns instruments only
    restarts = sorted(
        e.at for e in events if e.kind.restarts_baseline and e.kind is not EventKind.CALIBRATION
    )
    count = len(window.ids)
    at = np.array([to_days(t) for t in window.taken_at], dtype=np.float64)
    series = np.array([bisect_right(restarts, t) for t in window.taken_at], dtype=np.int64)
    return SampleFrame(
        series=series,
        at=at,
        values=window.values,
        below=window.below,
        age=asset.ages_years(at),
        online=np.zeros(count, dtype=np.bool_),
        oxygen_ratio=np.full(count, np.nan),
        laboratory=np.array(window.source_ids, dtype=np.int64),
        blanketed=np.full(count, asset.preservation is Preservation.NITROGEN),
        worked=series > 0,
        tripped=_since_last(window.taken_at, events, EventKind.THROUGH_FAULT),
        reviewed=_since_last(window.taken_at, events, EventKind.REVIEW),
    )


def _since_last(times: Sequence[datetime], events: Sequence[ServiceEvent], kind: EventKind) -> Bools:
    """(n,) whether an event of a kind is on record since the sample before each."""
    on_record = sorted(e.at for e in events if e.kind is kind)
    passed = np.array([bisect_right(on_record, at) for at in times], dtype=np.int64)
    found: Bools = np.diff(passed, prepend=0) > 0
    return found
