"""Judge stored samples again, e.g. after the rules changed. Never mails and never moves an alert."""

from collections.abc import Callable, Collection, Sequence
from datetime import datetime

from app.domain.model import SourceKind
from app.services.judging import ALWAYS, Judged, Series, judge_since
from app.store import assessments, fleet, samples
from app.store.database import Connection, Database
from app.store.events import events_for

Follow = Callable[[Connection, int, Sequence[Judged]], None]
"""What is done with the judged samples of a series of a compartment (its id), in time order."""


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
        series = [one for one in samples.all_series(connection) if only is None or one[0] in only]
    judged_count = changed = 0
    for done, (compartment_id, source_id, kind) in enumerate(series, start=1):
        with database.write() as connection:
            fleet.lock_compartments(connection, [compartment_id])
            context = fleet.compartment_context(connection, [compartment_id])[compartment_id]
            events = events_for(connection, [compartment_id]).get(compartment_id, [])
            instrument = source_id if kind == SourceKind.INSTRUMENT else None
            judged = judge_since(
                connection,
                Series(
                    compartment_id,
                    instrument,
                    context.asset,
                    events,
                    context.compartment.oil_volume_l,
                    context.compartment.kind,
                ),
                ALWAYS,
                now,
            )
            changed += assessments.save(connection, [(j.sample_id, j.assessment) for j in judged], now)
            judged_count += len(judged)
            if follow is not None:
                follow(connection, compartment_id, judged)
        if progress is not None:
            progress(done, len(series))
    return judged_count, changed
