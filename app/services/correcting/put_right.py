"""Put a mistake right: edit, exclude, restore or move a sample, undo a whole file.

Each is one transaction with an author and a reason, leaves a line in the history, and lets the assessments and
alerts follow. Nothing is deleted: an edit is a revision, a move leaves the old sample excluded, an undone file
leaves its samples excluded and what it had corrected comes back into force.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from app.domain.model import SourceKind
from app.errors import UnknownError
from app.services.correcting.sample_places import (
    Place,
    copies_elsewhere,
    must_be_free,
    must_not_count_elsewhere,
    target_of,
    where,
)
from app.services.recording.sample_contents import (
    LONGEST_REASON,
    PutRightError,
    contents_of,
    differences,
    too_long,
)
from app.services.rejudging.follow_up import Touched, follow_up
from app.store.correcting import corrections
from app.store.correcting.corrections import By, Contents, Correction, StoredRow
from app.store.database import Connection, Database
from app.store.pages import view_samples
from app.store.registering import fleet, source_lookup

__all__ = [
    "LONGEST_AUTHOR",
    "NoSuchError",
    "Place",
    "Undone",
    "edit_sample",
    "exclude_sample",
    "move_sample",
    "restore_sample",
    "undo_file",
]

LONGEST_AUTHOR = 200


class NoSuchError(UnknownError, LookupError):
    """There is no sample or file of that number."""


@dataclass(frozen=True, slots=True)
class Undone:
    """How many samples of the file were excluded, and how many earlier revisions are in force again."""

    excluded: int
    in_force_again: int


def edit_sample(database: Database, sample_id: int, contents: Contents, by: By, public_url: str) -> int:
    """Give a sample other readings, laboratory number or remark: a new revision. Returns its id.

    Raises:
        NoSuchError: there is no such sample.
        PutRightError: no author or reason, the sample is not in force, or nothing is changed.
    """
    by = _checked(by)
    with database.write() as connection:
        row = _locked(connection, _found(connection, sample_id))
        _must_count(connection, row)
        before = contents_of(connection, sample_id)
        changed = differences(before, contents)
        if not changed:
            raise PutRightError(("readings", "nothing is changed"))
        new_id = corrections.add_revision(connection, row, contents, by.at)
        detail = {"changed": changed, "in_place_of": [row.id]}
        corrections.note(connection, [Correction(new_id, "edited", by, detail)])
        _follow(connection, [Touched(row.compartment_id, row.taken_at, new_id)], row, by.at, public_url)
        return new_id


def exclude_sample(database: Database, sample_id: int, by: By, public_url: str) -> None:
    """A sample no longer counts; it stays visible and can be restored.

    Raises:
        NoSuchError, PutRightError: as in :func:`edit_sample`.
    """
    by = _checked(by)
    with database.write() as connection:
        row = _locked(connection, _found(connection, sample_id))
        _must_count(connection, row)
        corrections.exclude(connection, [row.id], by)
        corrections.note(connection, [Correction(row.id, "excluded", by)])
        gone = Touched(row.compartment_id, row.taken_at, row.id, counts=False)
        _follow(connection, [gone], row, by.at, public_url)


def restore_sample(database: Database, sample_id: int, by: By, public_url: str) -> None:
    """An excluded sample counts again, in place of what may be in force at its time.

    Raises:
        NoSuchError: there is no such sample.
        PutRightError: no author or reason, the sample is not excluded, or it was moved and counts elsewhere.
    """
    by = _checked(by)
    with database.write() as connection:
        row = _found(connection, sample_id)
        copies = copies_elsewhere(connection, row)
        row = _locked(connection, row, (one.compartment_id for one in copies))
        if not row.excluded:
            raise PutRightError(("sample", "it is not excluded, so there is nothing to restore"))
        must_not_count_elsewhere(connection, copies_elsewhere(connection, row))
        in_force = [r.id for r in corrections.revisions(connection, row) if r.current and r.id != row.id]
        corrections.set_current(connection, in_force, current=False)
        corrections.restore(connection, [row.id])
        corrections.set_current(connection, [row.id], current=True)
        corrections.note(connection, [Correction(row.id, "restored", by, {"in_place_of": in_force})])
        _follow(connection, [Touched(row.compartment_id, row.taken_at, row.id)], row, by.at, public_url)


def move_sample(database: Database, sample_id: int, place: Place, by: By, public_url: str) -> int:
    """A sample was taken elsewhere or at another time: it is excluded here and stands there. Returns its id there.

    Raises:
        NoSuchError: there is no such sample.
        PutRightError: no author or reason, no such place, an impossible time, it stands there already, or
            another sample of the same source does.
    """
    by = _checked(by)
    with database.write() as connection:
        row = _found(connection, sample_id)
        target = target_of(connection, _source(connection, row), row, place, by.at)
        row = _locked(connection, row, [target[0]])
        _must_count(connection, row)
        must_be_free(connection, row, target)
        new_id = corrections.add_moved(connection, row, contents_of(connection, row.id), by.at, target)
        names = fleet.compartment_context(connection, [row.compartment_id, target[0]])
        detail = {
            "from": where(names[row.compartment_id], row.taken_at, row.id),
            "to": where(names[target[0]], target[1], new_id),
        }
        there = f"moved to {detail['to']['asset']}, {detail['to']['compartment']}: {by.reason}"
        corrections.exclude(connection, [row.id], By(by.author, there, by.at))
        corrections.note(connection, [Correction(i, "moved", by, detail) for i in (row.id, new_id)])
        touched = [
            Touched(row.compartment_id, row.taken_at, row.id, counts=False),
            Touched(target[0], target[1], new_id),
        ]
        _follow(connection, touched, row, by.at, public_url)
        return new_id


def undo_file(database: Database, file_id: int, by: By, public_url: str) -> Undone:
    """Take a whole file back: none of its samples counts any more, and what they had replaced is in force again.

    Importing the file again puts it back.

    Raises:
        NoSuchError: no sample came with a file of that number.
        PutRightError: no author or reason, or the file is undone already.
    """
    by = _checked(by)
    with database.write() as connection:
        rows = corrections.rows_of_file(connection, file_id)
        if not rows:
            raise NoSuchError(f"no sample came with a file {file_id}")
        fleet.lock_compartments(connection, (row.compartment_id for row in rows))
        rows = corrections.rows_of_file(connection, file_id)
        valid = [row for row in rows if not row.excluded]
        if not valid:
            raise PutRightError(("file", "none of its samples counts any more: it is undone already"))
        again = _replaced(connection, file_id)
        corrections.exclude(connection, [row.id for row in valid], by)
        corrections.set_current(connection, [row.id for row in rows], current=False)
        corrections.set_current(connection, [row.id for row in again.values()], current=True)
        corrections.note(
            connection,
            [
                *(Correction(row.id, "undone", by, {"file": file_id}) for row in valid),
                *(Correction(row.id, "in_force_again", by, {"file": file_id}) for row in again.values()),
            ],
        )
        _follow_undone(connection, rows, again, by.at, public_url)
        return Undone(len(valid), len(again))


def _checked(by: By) -> By:
    """Who and why, stripped and fit for the record."""
    author, reason = by.author.strip(), by.reason.strip()
    problems = []
    if not author:
        problems.append(("author", "say who does it"))
    if not reason:
        problems.append(("reason", "say why; it stays in the sample's history"))
    problems += too_long({"author": (author, LONGEST_AUTHOR), "reason": (reason, LONGEST_REASON)})
    if problems:
        raise PutRightError(*problems)
    return By(author, reason, by.at)


def _found(connection: Connection, sample_id: int) -> StoredRow:
    """The sample as it stands; somebody else may be changing it."""
    found = corrections.rows_by_id(connection, [sample_id]).get(sample_id)
    if found is None:
        raise NoSuchError(f"there is no sample {sample_id}")
    return found


def _locked(connection: Connection, row: StoredRow, others: Iterable[int] = ()) -> StoredRow:
    """The sample as it stands once nobody else can change its compartment nor the ``others``.

    All are locked at once: two transactions that took theirs one after another could wait for each other.
    """
    fleet.lock_compartments(connection, {row.compartment_id, *others})
    return _found(connection, row.id)


def _must_count(connection: Connection, row: StoredRow) -> None:
    if row.excluded:
        raise PutRightError(("sample", "it is excluded; restore it first"))
    if not row.current:
        newer = [r.id for r in corrections.revisions(connection, row) if r.current]
        hint = f"; sample {newer[0]} is in force" if newer else ""
        raise PutRightError(("sample", f"it was superseded by a newer revision{hint}"))


def _source(connection: Connection, row: StoredRow) -> source_lookup.StoredSource:
    code = view_samples.samples_by_id(connection, [row.id])[row.id].source_code
    found = source_lookup.find_source(connection, code)
    assert found is not None  # the sample refers to it
    return found


def _replaced(connection: Connection, file_id: int) -> dict[int, StoredRow]:
    """By the id of a file's sample in force, the newest earlier revision that came otherwise and was not undone."""
    by_identity: dict[tuple[int, int, datetime], list[StoredRow]] = defaultdict(list)
    for row in corrections.revisions_beside_file(connection, file_id):
        by_identity[row.compartment_id, row.source_id, row.taken_at].append(row)
    excluded = [row.id for rows in by_identity.values() for row in rows if row.excluded]
    last = {line.sample_id: line.kind for line in corrections.history(connection, excluded)}
    found = {}
    for rows in by_identity.values():
        in_force = next((row for row in rows if row.current and row.file_id == file_id), None)
        others = [
            row
            for row in rows
            if row.file_id != file_id and not (row.excluded and last.get(row.id) == "undone")
        ]
        if in_force is not None and others:
            found[in_force.id] = others[-1]
    return found


def _follow_undone(
    connection: Connection,
    rows: Sequence[StoredRow],
    again: Mapping[int, StoredRow],
    now: datetime,
    public_url: str,
) -> None:
    """Let assessments, medians and alerts follow, once for each source that the file's samples are of.

    Laboratories go first: on-line readings are judged with the laboratories' oxygen ratio.
    """
    by_source: dict[int, list[StoredRow]] = defaultdict(list)
    for row in rows:
        back = again.get(row.id)
        if row.current and (not row.excluded or (back is not None and not back.excluded)):
            by_source[row.source_id].append(row)
    sources = [(_source(connection, ones[0]), ones) for ones in by_source.values()]
    for source, ones in sorted(sources, key=lambda s: s[0].source.kind is SourceKind.INSTRUMENT):
        touched = [_after_undo(row, again.get(row.id)) for row in ones]
        follow_up(connection, source, touched, now, public_url)


def _after_undo(row: StoredRow, again: StoredRow | None) -> Touched:
    if again is None or again.excluded:
        return Touched(row.compartment_id, row.taken_at, row.id, counts=False)
    return Touched(again.compartment_id, again.taken_at, again.id)


def _follow(
    connection: Connection, touched: Sequence[Touched], row: StoredRow, now: datetime, public_url: str
) -> None:
    follow_up(connection, _source(connection, row), touched, now, public_url)
