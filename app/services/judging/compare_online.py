"""What a judgement of on-line readings changes in the store: how they stand, and what is told of them in full."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from app.domain.alerting.shown import OnlineShown, Speaker, evidence
from app.domain.findings import Assessment
from app.domain.judging.engine import Judgement
from app.domain.judging.light_view import OnlineView, ShortVerdict, online_view
from app.domain.judging.report import ReportOptions, report
from app.domain.model import Source
from app.services.judging.evidence import SampleEvidence
from app.services.judging.online_series import OnlineSeries
from app.store.judging.assessments import ChangedVerdict, Judged
from app.store.recording.online_rows import StoredRows


@dataclass(frozen=True)
class Comparison:
    """What is to be written of one series, and who speaks to the alerts.

    Attributes:
        verdicts: of the new readings, by their id.
        changed: stored readings that do not stand as they stood, in time order.
        told: what is told in full, by id, where a reading does not say what the one before it said; and what the
            alerts ask for meanwhile.
        speaking: the readings asked for, in time order.
    """

    verdicts: dict[int, ShortVerdict]
    changed: list[ChangedVerdict]
    told: dict[int, Judged]
    speaking: list[SampleEvidence]


@dataclass(frozen=True)
class ComparisonTerms:
    """What is asked: who measured, what a full report reads, since when readings are looked at, and who may speak."""

    source: Source
    options: ReportOptions
    since: datetime
    may_speak: Callable[[int, datetime], bool]
    """Of a sample's id and time."""


def compare_with_stored(
    judgement: Judgement, begin: int, one: OnlineSeries, stored: StoredRows, ask: ComparisonTerms
) -> Comparison:
    """Compare the rows of one series (they begin at ``begin`` of the judgement) with what is stored.

    A reading is told in full where its verdict is not that of the reading before it, so that the moment of every
    change is kept in words and figures.
    """
    first = int(np.searchsorted(one.at, _days(ask.since), side="left"))
    rows = np.arange(first, len(one.ids), dtype=np.int64)
    view = online_view(judgement, begin + rows)
    shown = OnlineShown(view)
    before = _before(one, stored, first, view)
    found = Comparison({}, [], {}, [])
    full = ReportOptions(
        False, ask.options.oil_volume_l, ask.options.draws, ask.options.rated_kv, ask.options.communicating
    )
    for place, row in enumerate(rows):
        sample_id, verdict = one.ids[row], view.verdicts[place]
        old = int(one.stored[row])
        news = old < 0
        if news:
            found.verdicts[sample_id] = verdict
        elif verdict != stored.verdicts[old]:
            found.changed.append(ChangedVerdict(sample_id, one.taken_at[row], verdict))
            news = True
        if news and verdict != before[place]:
            told = report(judgement, begin + int(row), full)
            found.told[sample_id] = Judged(sample_id, one.taken_at[row], told)
    speaking = [place for place, row in enumerate(rows) if ask.may_speak(one.ids[row], one.taken_at[row])]
    found.speaking.extend(
        _speaking(judgement, begin + first, one, (shown, first, place), (ask, found.told))
        for place in shown.that_can_move_alerts(speaking)
    )
    return found


def _before(one: OnlineSeries, stored: StoredRows, first: int, view: OnlineView) -> list[ShortVerdict | None]:
    """How the reading before each of the rows stands; None before the first of all."""
    earlier: ShortVerdict | None = None
    if first > 0:
        stands = stored.verdicts[int(one.stored[first - 1])]
        earlier = None if stands is None else ShortVerdict(*stands)
    return [earlier, *view.verdicts[:-1]] if view.verdicts else []


def _speaking(
    judgement: Judgement,
    begin: int,
    one: OnlineSeries,
    at: tuple[OnlineShown, int, int],
    about: tuple[ComparisonTerms, dict[int, Judged]],
) -> SampleEvidence:
    (shown, first, place), (ask, told) = at, about
    sample_id, taken_at = one.ids[first + place], one.taken_at[first + place]

    whole: list[Assessment] = []

    def tell() -> Assessment:
        if not whole:
            whole.append(report(judgement, begin + place, ask.options))
            told[sample_id] = Judged(sample_id, taken_at, whole[0])
        return whole[0]

    speaker = Speaker(ask.source.code, True, taken_at)
    return SampleEvidence(sample_id, taken_at, evidence(shown.row(place, speaker)), tell)


def _days(at: datetime) -> float:
    return at.timestamp() / 86_400.0
