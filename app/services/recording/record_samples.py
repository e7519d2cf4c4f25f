"""The spine: samples in, one transaction, one outcome each.

Store, assess, decide alerts, queue mail - all of it or nothing of it. A batch of one is a batch.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from app.domain.model import Rejection, Sample, SourceKind
from app.domain.recording.columns import columns_of
from app.services.recording.outcomes import Outcome
from app.services.recording.post_parts import Post
from app.services.recording.record_posts import RecordingTerms, record_posts
from app.services.recording.series_memory import SeriesMemory
from app.services.rejudging.follow_up import Touched, follow_up
from app.store.database import Connection, Database
from app.store.recording import samples
from app.store.recording.online_rows import FileOrigin
from app.store.registering import fleet, source_lookup


@dataclass(frozen=True, slots=True)
class RecordContext:
    """What the recording needs to know about its judging: the address that mails link to."""

    public_url: str
    file_id: int | None = None


class UnknownSourceError(Exception):
    """No instrument or laboratory of that code is registered."""


def record_samples(
    database: Database,
    source_code: str,
    batch: Sequence[Sample | Rejection],
    now: datetime,
    context: RecordContext,
) -> list[Outcome]:
    """Record a batch of one source's samples in one transaction; outcomes in the order of the batch.

    When this returns, everything said to be stored is committed, assessed, and its mail is queued.

    Raises:
        UnknownSourceError: if no source has that code.
    """
    with database.write() as connection:
        return record_in(connection, source_code, batch, now, context)


def record_in(
    connection: Connection,
    source_code: str,
    batch: Sequence[Sample | Rejection],
    now: datetime,
    context: RecordContext,
) -> list[Outcome]:
    """:func:`record_samples` inside a caller's transaction."""
    source = source_lookup.find_source(connection, source_code)
    if source is None:
        raise UnknownSourceError(f"no instrument or laboratory has the code {source_code!r}")
    if source.source.kind is SourceKind.INSTRUMENT:
        return _record_readings(connection, source, batch, now, context)
    outcomes: list[Outcome | None] = [
        Outcome("rejected", field=item.field, reason=item.reason) if isinstance(item, Rejection) else None
        for item in batch
    ]
    rows, places = _resolve(connection, source, batch, outcomes, context)
    fleet.lock_compartments(connection, (row.compartment_id for row in rows))
    added = samples.add_new(connection, rows, now)
    for place, row in zip(places, added, strict=True):
        outcomes[place] = Outcome(row.result, row.sample_id)
    touched = [
        Touched(row.compartment_id, row.sample.taken_at, one.sample_id)
        for row, one in zip(rows, added, strict=True)
        if one.result != "already_known"
    ]
    if touched:
        follow_up(connection, source, touched, now, context.public_url)
    return [o for o in outcomes if o is not None]


def _record_readings(
    connection: Connection,
    source: source_lookup.StoredSource,
    batch: Sequence[Sample | Rejection],
    now: datetime,
    context: RecordContext,
) -> list[Outcome]:
    """Of an instrument; what it does not serve is rejected."""
    served = [_served(source, item, i) for i, item in enumerate(batch)]
    notes = [
        (
            line if isinstance(line := item.origin.get("line"), int) else None,
            item.laboratory_number,
            item.remark,
        )
        for item in served
        if isinstance(item, Sample)
    ]
    origin = (
        FileOrigin(context.file_id, notes) if context.file_id is not None or any(map(any, notes)) else None
    )
    post = Post(source, columns_of(served), now, origin)
    within = RecordingTerms(now, context.public_url, SeriesMemory())
    return record_posts(connection, [post], within).outcomes[0]


def _served(source: source_lookup.StoredSource, item: Sample | Rejection, index: int) -> Sample | Rejection:
    if isinstance(item, Rejection):
        return replace(item, index=index)
    if item.asset_code == source.source.asset_code and item.compartment in source.compartments:
        return item
    return Rejection("compartment", _not_served(item), index=index)


def _not_served(item: Sample) -> str:
    return f"asset {item.asset_code} has no compartment {item.compartment!r} that this source measures"


def _resolve(
    connection: Connection,
    source: source_lookup.StoredSource,
    batch: Sequence[Sample | Rejection],
    outcomes: list[Outcome | None],
    context: RecordContext,
) -> tuple[list[samples.NewRow], list[int]]:
    """Rows for the store, and the place of each in the batch; unknown compartments are rejected."""
    wanted = {(s.asset_code, s.compartment) for s in batch if isinstance(s, Sample)}
    ids = fleet.compartment_ids(connection, wanted)
    rows, places = [], []
    for place, item in enumerate(batch):
        if not isinstance(item, Sample):
            continue
        compartment_id = ids.get((item.asset_code, item.compartment))
        if compartment_id is None:
            outcomes[place] = Outcome("rejected", field="compartment", reason=_not_served(item))
            continue
        line = item.origin.get("line")
        rows.append(
            samples.NewRow(
                compartment_id,
                source.id,
                item,
                False,
                context.file_id,
                line if isinstance(line, int) else None,
            )
        )
        places.append(place)
    return rows, places
