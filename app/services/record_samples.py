"""The spine: samples in, one transaction, one outcome each.

Store, assess, decide alerts, queue mail - all of it or nothing of it. A batch of one is a batch.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from app.domain.model import Rejection, Sample, SourceKind
from app.services.follow_up import Touched, follow_up
from app.store import fleet, samples
from app.store.database import Connection, Database


@dataclass(frozen=True, slots=True)
class RecordContext:
    """What the recording needs to know about its surroundings: the address that mails link to."""

    public_url: str
    file_id: int | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one sample. ``field`` and ``reason`` are given for ``rejected`` only."""

    result: Literal["stored", "already_known", "revised", "rejected"]
    sample_id: int | None = None
    field: str | None = None
    reason: str | None = None


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
    source = fleet.find_source(connection, source_code)
    if source is None:
        raise UnknownSourceError(f"no instrument or laboratory has the code {source_code!r}")
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


def _resolve(
    connection: Connection,
    source: fleet.StoredSource,
    batch: Sequence[Sample | Rejection],
    outcomes: list[Outcome | None],
    context: RecordContext,
) -> tuple[list[samples.NewRow], list[int]]:
    """Rows for the store, and the place of each in the batch; unknown compartments are rejected."""
    wanted = {(s.asset_code, s.compartment) for s in batch if isinstance(s, Sample)}
    if source.source.kind is SourceKind.INSTRUMENT:
        asset = source.source.asset_code or ""
        ids = {(asset, name): compartment_id for name, compartment_id in source.compartments.items()}
    else:
        ids = fleet.compartment_ids(connection, wanted)
    rows, places = [], []
    for place, item in enumerate(batch):
        if not isinstance(item, Sample):
            continue
        compartment_id = ids.get((item.asset_code, item.compartment))
        if compartment_id is None:
            reason = (
                f"asset {item.asset_code} has no compartment {item.compartment!r} that this source measures"
            )
            outcomes[place] = Outcome("rejected", field="compartment", reason=reason)
            continue
        line = item.origin.get("line")
        rows.append(
            samples.NewRow(
                compartment_id,
                source.id,
                item,
                source.source.kind is SourceKind.INSTRUMENT,
                context.file_id,
                line if isinstance(line, int) else None,
            )
        )
        places.append(place)
    return rows, places
