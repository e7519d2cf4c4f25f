"""What follows when stored samples came, changed or went: judge again, and let the newest speak to the alerts.

For laboratories' new samples (:mod:`app.services.recording.record_samples`) and for corrections by hand of any sample
(:mod:`app.services.correcting.put_right`). New readings of instruments take :mod:`app.services.recording.record_posts`.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from app.domain.alerting.decisions import ONLINE_IN_A_ROW_TO_EASE
from app.domain.findings import Assessment
from app.domain.judging.engine import RULE_SET
from app.domain.judging.reporting.without_status import WITHOUT_STATUS
from app.domain.model import SourceKind
from app.science.quantities import LIMITED, NORM_GASES
from app.services.alerting.raise_alerts import News, raise_alerts
from app.services.judging.context import JudgingContext, judging_context
from app.services.judging.evidence import SampleEvidence, acts_of, evidence_of
from app.services.judging.judge_online import OnlineKey, judge_times_again
from app.services.judging.laboratory_series import judge_since
from app.store.database import Connection
from app.store.judging import assessments
from app.store.judging.assessments import Judged
from app.store.recording import samples
from app.store.registering import source_lookup


@dataclass(frozen=True, slots=True)
class Touched:
    """A time in a compartment at which something else counts than before."""

    compartment_id: int
    taken_at: datetime
    sample_id: int
    """What changed there."""
    counts: bool = True
    """False when the sample was taken away and nothing of its source counts at that time now."""


def follow_up(
    connection: Connection,
    source: source_lookup.StoredSource,
    touched: Sequence[Touched],
    now: datetime,
    public_url: str,
) -> None:
    """Assess what the changes can have changed, then let the newest samples speak to the alerts.

    Only a sample at least as new as the newest of its kind of source may raise or clear an alert. When the
    newest one was taken away, the one that is the newest now speaks in its place; of an instrument, which is
    believed only after so many readings in a row, the newest of that number speak once more.
    """
    by_compartment: dict[int, list[Touched]] = defaultdict(list)
    for one in touched:
        by_compartment[one.compartment_id].append(one)
    around = judging_context(connection, sorted(by_compartment))
    for compartment_id, ones in by_compartment.items():
        instrument = source if source.source.kind is SourceKind.INSTRUMENT else None
        speaking = _judge(connection, _Change(source, instrument, compartment_id, ones, now), around)
        asset = around.contexts[compartment_id].asset
        raise_alerts(connection, News(compartment_id, source.source, asset, public_url), speaking, now)


@dataclass(frozen=True, slots=True)
class _Change:
    source: source_lookup.StoredSource
    instrument: source_lookup.StoredSource | None
    compartment_id: int
    touched: Sequence[Touched]
    now: datetime


def _judge(connection: Connection, change: _Change, around: JudgingContext) -> Sequence[SampleEvidence]:
    """Assess and store; returns what may speak to the alerts, in time order."""
    instrument_id = None if change.instrument is None else change.instrument.id
    fresh = {t.sample_id: t.taken_at for t in change.touched if t.counts}
    newest = samples.newest_judged(connection, change.compartment_id, instrument_id, set(fresh))
    speakers = {i for i, at in fresh.items() if newest is None or at >= newest}
    gone = [t for t in change.touched if not t.counts]
    times = [t.taken_at for t in change.touched]
    newest_went = _newest_went(gone, newest, list(fresh.values()))
    in_a_row = 1 if instrument_id is None else ONLINE_IN_A_ROW_TO_EASE
    if newest_went and not speakers:
        left = dict(samples.newest_of(connection, change.compartment_id, instrument_id, set(fresh), in_a_row))
        speakers = set(left)
        times += left.values()
    evidence = _judge_again(connection, change, around, _Judging(times, speakers))
    if newest_went and not speakers:
        return evidence_of(change.source.source, _nothing_left(max(gone, key=lambda t: t.taken_at), in_a_row))
    return evidence


@dataclass(frozen=True, slots=True)
class _Judging:
    """Times from which samples are judged again, and the ids of those that the alerts hear."""

    times: Sequence[datetime]
    heard: set[int]


def _judge_again(
    connection: Connection, change: _Change, around: JudgingContext, judging: _Judging
) -> list[SampleEvidence]:
    if change.instrument is not None:
        key = OnlineKey(change.compartment_id, change.instrument)
        return judge_times_again(connection, key, judging.times, judging.heard, change.now)
    judged = judge_since(connection, change.compartment_id, around, min(judging.times))
    assessments.save(connection, judged, change.now)
    heard = [j for j in judged if j.sample_id in judging.heard or j is judged[-1]]
    return evidence_of(change.source.source, heard, acts_of(around.events.get(change.compartment_id, ())))


def _newest_went(gone: Sequence[Touched], newest: datetime | None, fresh: Sequence[datetime]) -> bool:
    """True when what was taken away was at least as new as all that is left."""
    left = max([*fresh, *([newest] if newest else [])], default=None)
    return any(left is None or t.taken_at >= left for t in gone)


def _nothing_left(gone: Touched, times: int) -> list[Judged]:
    """No sample counts any more, so there is nothing to be alarmed about; said as often as is believed."""
    nothing = Assessment(
        status=1,
        suspect=False,
        status_reasons=("no sample counts any more",),
        norm_set="",
        rule_set=RULE_SET,
        judged_gases=NORM_GASES,
        looked_at=dict.fromkeys(WITHOUT_STATUS, LIMITED),
    )
    instant = timedelta(microseconds=1)  # what is said twice about one time counts once
    return [Judged(gone.sample_id, gone.taken_at + i * instant, nothing) for i in range(times)]
