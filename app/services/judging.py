"""From stored samples to assessments: builds the engine's frame for one compartment and one kind of source."""

from bisect import bisect_left, bisect_right
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from app.domain.engine import Judgement, assess
from app.domain.findings import Assessment
from app.domain.frame import DailyMedians, SampleFrame, to_days
from app.domain.model import Asset, CompartmentKind, EventKind, ServiceEvent, TapChanger, utc_day
from app.domain.norms import SHORT_SPAN_DAYS, norming_of
from app.domain.report import ReportOptions, report
from app.domain.rules.online import REFERENCE_GAP_DAYS, REFERENCE_LENGTH_DAYS
from app.science.quantities import INDEX
from app.store import assessments
from app.store.database import Connection
from app.store.limits import all_limits
from app.store.windows import Window, instrument_window, laboratory_window, median_window

ALWAYS = datetime(1900, 1, 1, tzinfo=UTC)
DETAILED_SAMPLES = 10
"""Laboratory samples of a unit, newest first, that get trends and probabilities: most of the time goes there."""
RATIO_AGE = timedelta(days=731)
"""An O2/N2 ratio of a laboratory is used for on-line readings up to this long after it (two years)."""
ONLINE_LOOKBACK = timedelta(days=SHORT_SPAN_DAYS + REFERENCE_GAP_DAYS + REFERENCE_LENGTH_DAYS)
ONLINE_RAW = timedelta(days=4)
ONLINE_AFTERMATH = timedelta(days=SHORT_SPAN_DAYS)
"""How long after it a late on-line reading can change what later ones mean."""


@dataclass(frozen=True, slots=True)
class Series:
    """What is judged together: a compartment's laboratories (``instrument_id`` None) or one instrument."""

    compartment_id: int
    instrument_id: int | None
    asset: Asset
    events: Sequence[ServiceEvent] = ()
    oil_volume_l: float | None = None
    """Of the compartment; the asset's where None."""
    kind: CompartmentKind = CompartmentKind.MAIN_TANK


@dataclass(frozen=True, slots=True)
class Judged:
    sample_id: int
    taken_at: datetime
    assessment: Assessment


def judge_since(
    connection: Connection,
    series: Series,
    since: datetime,
    until: datetime,
    fresh: Collection[int] | None = None,
) -> list[Judged]:
    """Assess the stored samples of a series that the samples taken in [since, until] can have changed.

    With ``fresh``, on-line samples that are not among these ids are told only where their status or suspicion is
    not what is stored: a late reading changes thousands of later rates a little and hardly ever what they mean.

    That is every laboratory sample from ``since`` on, and every on-line sample from ``since`` to nine months
    after ``until``. In time order. Excluded samples and old revisions take no part.
    """
    found = judgement_of(connection, series, since, until)
    if found is None:
        return []
    window, judgement = found
    brief, full = ReportOptions(detailed=False), report_options(series)
    newest = len(window.ids) - 1
    dropped = judgement.changes.dropped
    settled = _settled(connection, series, window, judgement, fresh)
    return [
        Judged(
            sample_id, taken_at, report(judgement, row, full if _wants_detail(series, row, newest) else brief)
        )
        for row, (sample_id, taken_at) in enumerate(zip(window.ids, window.taken_at, strict=True))
        # a sample just refuted is told so, though it is older
        if sample_id not in settled
        and (taken_at >= since or (dropped[row] and row < newest and window.taken_at[row + 1] >= since))
    ]


def _settled(
    connection: Connection,
    series: Series,
    window: Window,
    judgement: Judgement,
    fresh: Collection[int] | None,
) -> set[int]:
    """On-line samples, not fresh, that stand as they are stored."""
    if series.instrument_id is None or fresh is None:
        return set()
    standing = assessments.standings(connection, [i for i in window.ids if i not in fresh])
    changes = judgement.changes
    return {
        sample_id
        for row, sample_id in enumerate(window.ids)
        if standing.get(sample_id) == (int(changes.status[row]) or None, bool(changes.suspect[row]))
    }


def judgement_of(
    connection: Connection, series: Series, since: datetime, until: datetime
) -> tuple[Window, Judgement] | None:
    """The samples :func:`judge_since` looks at, with their history, and their judgement; None without any."""
    if series.instrument_id is None:
        window = laboratory_window(connection, series.compartment_id, ALWAYS)
        frame = _frame(window, series, None)
        norming = norming_of(series.asset, all_limits(connection), len(frame), series.kind)
        judgement = assess(frame, norming=norming)
    else:
        window = instrument_window(
            connection,
            series.compartment_id,
            series.instrument_id,
            since - ONLINE_RAW,
            until + ONLINE_AFTERMATH,
        )
        if not window.ids:
            return None
        frame = _frame(window, series, _laboratory_ratios(connection, series, window))
        norming = norming_of(series.asset, all_limits(connection), len(frame), series.kind)
        judgement = assess(frame, _medians(connection, series, window), norming)
    return window, judgement


def report_options(series: Series) -> ReportOptions:
    """Everything about the unit that a full report reads."""
    return ReportOptions(
        oil_volume_l=series.oil_volume_l or series.asset.oil_volume_l,
        rated_kv=series.asset.rated_kv,
        communicating=series.asset.tap_changer is TapChanger.COMMUNICATING,
    )


def _wants_detail(series: Series, row: int, newest: int) -> bool:
    """The newest on-line reading of a batch; the newest laboratory samples of a unit."""
    return row == newest if series.instrument_id is not None else row > newest - DETAILED_SAMPLES


def _frame(window: Window, series: Series, ratios: NDArray[np.float64] | None) -> SampleFrame:
    restarts = _restarts(series)
    count = len(window.ids)
    ages = [series.asset.age_years(at) for at in window.taken_at]
    return SampleFrame(
        series=np.array([bisect_right(restarts, at) for at in window.taken_at], dtype=np.int64),
        at=np.array([to_days(at) for at in window.taken_at], dtype=np.float64),
        values=window.values,
        below=window.below,
        age=np.array([np.nan if age is None else age for age in ages], dtype=np.float64),
        online=np.full(count, series.instrument_id is not None),
        oxygen_ratio=np.full(count, np.nan) if ratios is None else ratios,
    )


def _restarts(series: Series) -> list[datetime]:
    """Times from which earlier samples are no longer compared; a calibration concerns instruments only."""
    online = series.instrument_id is not None
    return sorted(
        event.at
        for event in series.events
        if event.kind.restarts_baseline and (online or event.kind is not EventKind.CALIBRATION)
    )


def _laboratory_ratios(connection: Connection, series: Series, window: Window) -> NDArray[np.float64]:
    """For each on-line sample, O2/N2 of the newest laboratory sample before it that has both."""
    laboratory = laboratory_window(
        connection, series.compartment_id, window.taken_at[0] - RATIO_AGE, window.taken_at[-1]
    )
    pair = [INDEX["o2"], INDEX["n2"]]
    usable = ~np.isnan(laboratory.values[:, pair]).any(axis=1) & ~laboratory.below[:, pair].any(axis=1)
    usable &= np.nan_to_num(laboratory.values[:, INDEX["n2"]]) > 0
    rows = np.flatnonzero(usable)
    ratios = np.full(len(window.ids), np.nan)
    if rows.size:
        times = [laboratory.taken_at[r] for r in rows]
        known = laboratory.values[rows, INDEX["o2"]] / laboratory.values[rows, INDEX["n2"]]
        for i, at in enumerate(window.taken_at):
            newest = bisect_right(times, at) - 1
            if newest >= 0 and at - times[newest] <= RATIO_AGE:
                ratios[i] = known[newest]
    return ratios


def _medians(connection: Connection, series: Series, window: Window) -> DailyMedians:
    assert series.instrument_id is not None
    begin = utc_day(window.taken_at[0] - ONLINE_LOOKBACK)
    found = median_window(
        connection, series.compartment_id, series.instrument_id, begin, utc_day(window.taken_at[-1])
    )
    restarts = [utc_day(at) for at in _restarts(series)]
    # the day of a restart holds readings from before and after it: it stays with the time before
    numbers = [bisect_left(restarts, day) for day in found.days]
    return DailyMedians(
        series=np.array(numbers, dtype=np.int64),
        day=np.array([_day_number(day) for day in found.days], dtype=np.float64),
        values=found.values,
        limits=found.limits,
    )


def _day_number(day: date) -> int:
    return (day - date(1970, 1, 1)).days
