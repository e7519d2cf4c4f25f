"""Judge stored samples again, e.g. after the rules changed. Never mails and never moves an alert."""

from collections.abc import Callable, Collection, Sequence
from datetime import datetime

from app.domain.alerting.decisions import ONLINE_IN_A_ROW_TO_EASE
from app.services.judging.context import judging_context
from app.services.judging.evidence import SampleEvidence, evidence_of
from app.services.judging.judge_online import OnlineKey, judge_series_again
from app.services.judging.laboratory_series import ALWAYS, judge_since
from app.store.database import Connection, Database
from app.store.judging import assessments
from app.store.recording import samples
from app.store.registering import fleet, source_lookup

Follow = Callable[[Connection, int, Sequence[SampleEvidence]], None]
"""What is done with what the newest samples of a series of a compartment (its id) show, in time order."""


def reassess(
    database: Database,
    now: datetime,
    progress: Callable[[int, int], None] | None = None,
    only: Collection[int] | None = None,
    follow: Follow | None = None,
) -> tuple[int, int]:
    """Judge every sample that counts under the current rules, one transaction a series.

    Earlier assessments are superseded where the new one differs, and kept.

    Args:
        progress: called with (series done, series in all).
        only: ids of the compartments to judge; None for all.
        follow: called with each series, in its transaction.

    Returns:
        Number of samples judged, number of assessments that changed.
    """
    with database.read() as connection:
        series = list(samples.all_series(connection, only))
    judged_count = changed = 0
    for done, (compartment_id, source_id) in enumerate(series, start=1):
        with database.write() as connection:
            fleet.lock_compartments(connection, [compartment_id])
            count, moved, newest = _judge(connection, compartment_id, source_id, now)
            judged_count += count
            changed += moved
            if follow is not None:
                follow(connection, compartment_id, newest)
        if progress is not None:
            progress(done, len(series))
    return judged_count, changed


def _judge(
    connection: Connection, compartment_id: int, instrument_id: int | None, now: datetime
) -> tuple[int, int, list[SampleEvidence]]:
    """Number judged, number changed, and what the newest show: of an instrument as many as it takes to be believed."""
    if instrument_id is not None:
        key = OnlineKey(compartment_id, source_lookup.source_of(connection, instrument_id))
        return judge_series_again(connection, key, ONLINE_IN_A_ROW_TO_EASE, now)
    judged = judge_since(connection, compartment_id, judging_context(connection, [compartment_id]), ALWAYS)
    changed = assessments.save(connection, judged, now)
    newest = judged[-1:]
    if not newest:
        return 0, changed, []
    return (
        len(judged),
        changed,
        evidence_of(source_lookup.source_of_sample(connection, newest[0].sample_id).source, newest),
    )
