"""Where a sample stands, where it can be moved to, and where else it may count already."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from app.domain.model import SourceKind
from app.intake.numbers import shown
from app.intake.validate import EARLIEST_LABORATORY, EARLIEST_ONLINE, ImpossibleError, check_time
from app.services.recording.sample_contents import PutRightError
from app.store.correcting import corrections
from app.store.correcting.corrections import StoredRow
from app.store.database import Connection
from app.store.keeping import retention
from app.store.registering import fleet, source_lookup


@dataclass(frozen=True, slots=True)
class Place:
    """Where and when a sample was really taken; ``taken_at`` None leaves the time."""

    asset_code: str
    compartment: str
    taken_at: datetime | None = None


def target_of(
    connection: Connection, source: source_lookup.StoredSource, row: StoredRow, place: Place, now: datetime
) -> tuple[int, datetime]:
    """The compartment's id and the time.

    Raises:
        PutRightError: no such place, not one that the instrument measures, or an impossible time.
    """
    wanted = (place.asset_code, place.compartment)
    target = fleet.compartment_ids(connection, [wanted]).get(wanted)
    if target is None:
        raise PutRightError(
            ("compartment", f"{shown(place.asset_code)} has no compartment {shown(place.compartment)}")
        )
    online = source.source.kind is SourceKind.INSTRUMENT
    if online and target not in source.compartments.values():
        served = ", ".join(source.compartments)
        raise PutRightError(
            ("compartment", f"the instrument {source.source.code} measures only {served} of its own unit")
        )
    if place.taken_at is None:
        return target, row.taken_at
    try:
        at = check_time(place.taken_at, now, EARLIEST_ONLINE if online else EARLIEST_LABORATORY)
    except ImpossibleError as error:
        raise PutRightError(("taken_at", str(error))) from None
    begins = retention.raw_begins(connection) if online else None
    if begins is not None and at < begins:
        reason = (
            f"raw readings before {begins:%Y-%m-%d} UTC have passed retention; none is put there any more"
        )
        raise PutRightError(("taken_at", reason))
    return target, at


def must_be_free(connection: Connection, row: StoredRow, target: tuple[int, datetime]) -> None:
    """Raises PutRightError when the sample stands there already, or another one of its source counts there."""
    if target == (row.compartment_id, row.taken_at):
        raise PutRightError(("compartment", "it stands there already, at that time"))
    there = replace(row, compartment_id=target[0], taken_at=target[1])
    taken = [r.id for r in corrections.revisions(connection, there) if r.counts]
    if taken:
        raise PutRightError(
            (
                "compartment",
                f"sample {taken[0]} of the same source stands there at that time; correct that one",
            )
        )


def where(context: fleet.CompartmentContext, at: datetime, sample_id: int) -> dict[str, Any]:
    """A place as the history tells it."""
    return {
        "asset": context.asset.code,
        "compartment": context.compartment.name,
        "taken_at": at.isoformat(),
        "sample": sample_id,
    }


def copies_elsewhere(connection: Connection, row: StoredRow) -> list[StoredRow]:
    """What moving a sample made of it at other places and times, however often it was moved and edited there.

    Followed are moves and edits, both ways, and what took the place of a copy that was not taken away.
    """
    found = {row.id: row}
    ahead = [row]
    while ahead:
        one = ahead.pop()
        for linked in (*_linked(connection, one), *_succeeding(connection, one)):
            if linked.id not in found:
                found[linked.id] = linked
                ahead.append(linked)
    here = (row.compartment_id, row.taken_at)
    return [one for one in found.values() if (one.compartment_id, one.taken_at) != here]


def must_not_count_elsewhere(connection: Connection, copies: Sequence[StoredRow]) -> None:
    """Raises PutRightError naming the copy that counts: one sample must not be counted twice."""
    counting = next((one for one in copies if one.counts), None)
    if counting is None:
        return
    context = fleet.compartment_context(connection, [counting.compartment_id])[counting.compartment_id]
    raise PutRightError(
        (
            "sample",
            f"it was moved and counts as sample {counting.id} of {context.asset.code},"
            f" {context.compartment.name}, taken {counting.taken_at:%Y-%m-%d %H:%M} UTC;"
            " move that one back, or exclude it first",
        )
    )


def _linked(connection: Connection, row: StoredRow) -> list[StoredRow]:
    """What the sample was moved to or from, and what it is an edit of."""
    ids: set[int] = set()
    for line in corrections.history(connection, [row.id]):
        if line.kind == "moved":
            ids |= {line.detail[end]["sample"] for end in ("from", "to")}
        elif line.kind == "edited":
            ids |= set(line.detail.get("in_place_of", ()))
    return list(corrections.rows_by_id(connection, ids).values())


def _succeeding(connection: Connection, row: StoredRow) -> list[StoredRow]:
    """The next revision, when the sample was superseded and not excluded."""
    if row.excluded or row.current:
        return []
    later = (one for one in corrections.revisions(connection, row) if one.revision > row.revision)
    return list(later)[:1]
