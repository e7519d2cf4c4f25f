"""The spine: samples in, one transaction, one outcome each.

Store, assess, decide alerts, queue mail - all of it or nothing of it. A batch of one is a batch.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from app.domain.model import Rejection, Sample, SourceKind
from app.domain.recording.columns import columns_of
from app.errors import UnknownError
from app.services.recording.outcomes import Outcome
from app.services.recording.post_parts import Post
from app.services.recording.record_posts import record_posts
from app.services.recording.recording_context import RecordingTerms
from app.services.recording.series_memory import SeriesMemory
from app.services.rejudging.follow_up import Touched, follow_up
from app.store.database import Connection, Database
from app.store.recording import samples
from app.store.recording.online_rows import FileOrigin
from app.store.registering import fleet, source_lookup


@dataclass(frozen=True, slots=True)
class BatchTerms:
    """Where mails about a batch lead, and the file that it came from, if any."""

    public_url: str
    file_id: int | None = None


class UnknownSourceError(UnknownError):
    """No instrument or laboratory of that code is registered."""


def record_samples(
    database: Database,
    source_code: str,
    batch: Sequence[Sample | Rejection],
    now: datetime,
    context: BatchTerms,
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
    context: BatchTerms,
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
    context: BatchTerms,
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
    terms = RecordingTerms(now, context.public_url, SeriesMemory())
    return record_posts(connection, [post], terms).outcomes[0]


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
    context: BatchTerms,
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


# --- many at a time ---------------------------------------------------------------------------------------


AT_ONCE: Final = 20
"""Compartments that are judged between two reports of progress."""


def record_by_compartment(
    connection: Connection,
    batch: Sequence[Sample],
    now: datetime,
    context: BatchTerms,
    tell: Callable[[int, int], None] | None = None,
) -> list[Outcome]:
    """:func:`record_in` some compartments at a time, so that progress can be told; outcomes in the order of the batch.

    Laboratories go before instruments, whose readings are judged with the laboratories' oxygen ratio.

    Args:
        tell: called with (samples recorded, samples in all).

    Raises:
        UnknownSourceError: if no source has a sample's ``source_code``.
    """
    pairs = {(sample.asset_code, sample.compartment) for sample in batch}
    fleet.lock_compartments(connection, fleet.compartment_ids(connection, pairs).values())
    groups: dict[tuple[str, str, str], list[int]] = {}
    for place, sample in enumerate(batch):
        key = (sample.source_code, sample.asset_code, sample.compartment)
        groups.setdefault(key, []).append(place)
    outcomes: dict[int, Outcome] = {}
    for source, batches in _batches(connection, groups):
        for places in batches:
            if tell is not None:
                tell(len(outcomes), len(batch))
            recorded = record_in(connection, source, [batch[i] for i in places], now, context)
            outcomes.update(zip(places, recorded, strict=True))
    if tell is not None:
        tell(len(batch), len(batch))
    return [outcomes[place] for place in range(len(batch))]


def _batches(
    connection: Connection, groups: Mapping[tuple[str, str, str], list[int]]
) -> list[tuple[str, list[list[int]]]]:
    """By source, laboratories first, places of the samples of some compartments at a time."""
    by_source: dict[str, list[list[int]]] = {}
    for (source, _, _), places in groups.items():
        by_source.setdefault(source, []).append(places)
    instruments = {s.code for s in source_lookup.all_sources(connection, SourceKind.INSTRUMENT)}
    return [
        (
            source,
            [
                [place for places in parts[i : i + AT_ONCE] for place in places]
                for i in range(0, len(parts), AT_ONCE)
            ],
        )
        for source, parts in sorted(by_source.items(), key=lambda item: (item[0] in instruments, item[0]))
    ]
