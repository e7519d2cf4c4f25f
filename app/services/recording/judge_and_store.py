"""Series with new readings judged in one call and written: rows, days, verdicts, alerts, full assessments."""

from collections.abc import Sequence
from dataclasses import replace

from app.domain.judging.engine import RULE_SET
from app.domain.model import utc_day
from app.domain.recording.summary import DaySummaries
from app.services.alerting.raise_alerts import News, raise_alerts
from app.services.judging.compare_online import ComparisonTerms, compare_with_stored
from app.services.judging.evidence import acts_of
from app.services.judging.judged_series import judge_all
from app.services.judging.laboratory_series import report_options
from app.services.judging.online_series import renew
from app.services.recording.recording_context import RecordingContext
from app.services.recording.series_work import SeriesWork
from app.store.alerting import alerts
from app.store.database import Connection
from app.store.judging import assessments
from app.store.judging.assessments import By, Judged
from app.store.partitions import ensure_months
from app.store.recording import online_days, online_rows, samples
from app.store.recording.online_rows import Belonging


def judge_and_store(connection: Connection, works: Sequence[SeriesWork], context: RecordingContext) -> None:
    """Judge first and store then, so that a row is written once and complete."""
    touched = [sorted({utc_day(at) for at in work.new.taken_at}) for work in works]
    days = renew([(work.series, those) for work, those in zip(works, touched, strict=True)])
    _judge(connection, works, context)
    _store(connection, works, days)
    _store_verdicts(connection, works, context)


def _judge(connection: Connection, works: Sequence[SeriesWork], context: RecordingContext) -> None:
    """Compare each series that counts with what is stored, and give its new rows their verdicts."""
    counting = [work for work in works if work.series.ids]
    if not counting:
        return
    for work, judged in zip(counting, judge_all(context.judging, [w.series for w in counting]), strict=True):
        work.comparison = compare_with_stored(judged, work.stored, _terms(connection, work, context))
        verdicts = work.comparison.verdicts
        work.new = replace(work.new, verdicts=[verdicts.get(i) for i in work.new.ids])


def _terms(connection: Connection, work: SeriesWork, context: RecordingContext) -> ComparisonTerms:
    """Only readings at least as new as the newest that counts may raise or clear an alert."""
    compartment_id, source_id = work.key
    heard = context.heard.get(source_id)
    newest = None
    if heard is not None and min(work.new.taken_at) <= heard.newest:
        newest = samples.newest_judged(connection, compartment_id, source_id, {i for i, _ in work.replaced})
    fresh = set(work.new.ids)
    unit = context.judging.contexts[compartment_id]
    return ComparisonTerms(
        source=work.part.source.source,
        options=report_options(unit),
        since=min(work.new.taken_at),
        may_move_alerts=lambda sample_id, at: sample_id in fresh and (newest is None or at >= newest),
        acts=acts_of(context.judging.events.get(compartment_id, ())),
    )


def _store(connection: Connection, works: Sequence[SeriesWork], days: Sequence[DaySummaries]) -> None:
    ensure_months(connection, (at for work in works for at in work.new.taken_at))
    online_rows.no_longer_current(connection, [i for work in works for i in work.replaced])
    rows = [(Belonging(*work.key, work.part.received_at, RULE_SET), work.new) for work in works]
    online_rows.insert_readings(connection, rows)
    online_days.put_days(connection, [(*work.key, those) for work, those in zip(works, days, strict=True)])


def _store_verdicts(connection: Connection, works: Sequence[SeriesWork], context: RecordingContext) -> None:
    """Verdicts of stored readings that changed, then the alerts, then what is assessed in full: alerts ask for more."""
    terms = context.terms
    compared = [(work, work.comparison) for work in works if work.comparison is not None]
    states = alerts.states_of(connection, [work.part.compartment_id for work, _ in compared])
    moved: set[int] = set()
    assessed: list[Judged] = []
    for work, found in compared:
        assessments.replace_verdicts(connection, work.key, found.changed, By(terms.now, RULE_SET))
        compartment_id = work.part.compartment_id
        news = News(
            compartment_id,
            work.part.source.source,
            context.judging.contexts[compartment_id].asset,
            terms.public_url,
        )
        # the states that were read hold for the first series of a compartment only
        known = None if compartment_id in moved else states
        raise_alerts(connection, news, found.evidence, terms.now, known)
        moved.add(compartment_id)
        assessed += found.assessed.values()
    assessments.save_full(connection, assessed, terms.now)
