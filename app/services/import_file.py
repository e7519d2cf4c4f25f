"""A laboratory's file, previewed or imported: one path, and only the last step differs.

A file is all or nothing: one row that cannot be taken and none is stored. Importing a file again does no
harm; its samples are already known then.
"""

import hashlib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from app.domain.model import Rejection, Sample, SourceKind
from app.intake.laboratory import read_laboratory_file
from app.intake.numbers import shown
from app.intake.profile import Profile, ProfileError, load_profile
from app.services.record_samples import Outcome, RecordContext, record_in
from app.services.resolve_rows import RowResolver
from app.store import files, fleet
from app.store.database import Connection, Database
from app.store.fleet import StoredSource

RowKind = Literal["new", "already_known", "changes", "repeated"]
_KINDS: Mapping[str, RowKind] = {"stored": "new", "already_known": "already_known", "revised": "changes"}


@dataclass(frozen=True, slots=True)
class RowResult:
    """What becomes of one row: a ``new`` sample, ``already_known``, one that ``changes`` an earlier sample of
    the same time, or ``repeated`` in this very file with the same readings."""

    line: int
    result: RowKind
    sample: Sample
    sample_id: int | None = None
    """None in a preview."""


@dataclass(frozen=True)
class ImportPreview:
    """What a file would do. With ``problems`` it can do nothing; ``rows`` then is empty.

    Attributes:
        filename, laboratory_code: what was asked.
        rows: one for each row of the file, in its order.
        problems: everything that cannot be taken, each with line, column and text where it has them.
        known_file: the same bytes were imported before.
    """

    filename: str
    laboratory_code: str
    rows: tuple[RowResult, ...] = ()
    problems: tuple[Rejection, ...] = ()
    known_file: bool = False

    @property
    def counts(self) -> dict[str, int]:
        """Rows by result, and ``error``."""
        found = Counter(row.result for row in self.rows)
        kinds: tuple[RowKind, ...] = ("new", "already_known", "changes", "repeated")
        return {**{kind: found[kind] for kind in kinds}, "error": len(self.problems)}


@dataclass(frozen=True)
class ImportResult(ImportPreview):
    """What a file did. ``stored`` is False when there were problems: then nothing is stored of it."""

    stored: bool = False
    file_id: int | None = None


@dataclass(frozen=True, slots=True)
class _File:
    content: bytes
    filename: str
    laboratory_code: str
    author: str


class _NoLaboratoryError(Exception):
    """No such laboratory is registered, or its profile cannot be used."""


class _UndoError(Exception):
    """Ends a preview's transaction without a commit."""


def preview(
    database: Database, content: bytes, filename: str, laboratory_code: str, now: datetime
) -> ImportPreview:
    """What importing a file would do, found by doing it and taking it back."""
    found: list[ImportResult] = []
    file = _File(content, _printable(filename), laboratory_code, "preview")
    try:
        with database.write() as connection:
            found.append(_import(connection, file, now, RecordContext("")))
            raise _UndoError
    except _UndoError:
        pass
    done = found[0]
    rows = tuple(RowResult(row.line, row.result, row.sample) for row in done.rows)
    return ImportPreview(file.filename, laboratory_code, rows, done.problems, done.known_file)


def import_file(
    database: Database,
    content: bytes,
    filename: str,
    laboratory_code: str,
    author: str,
    now: datetime,
    context: RecordContext,
) -> ImportResult:
    """Import a file in one transaction: all of it, or nothing when it has problems. The file itself is kept.

    Args:
        content: the file's bytes.
        filename: its name, for messages and the record.
        laboratory_code: the laboratory that sent it.
        author: who imports it.
        now: the server's time.
        context: see :class:`RecordContext`.
    """
    with database.write() as connection:
        return _import(
            connection,
            _File(content, _printable(filename), laboratory_code, _printable(author)),
            now,
            context,
        )


def describe(done: ImportPreview) -> list[str]:
    """A preview or result in lines of plain text: the sum first, then each problem or changed sample."""
    if done.problems:
        problems = len(done.problems)
        head = f"{done.filename}: {problems} problem{'s' * (problems > 1)}, nothing is stored of it"
        return [head, *(_in_words(problem) for problem in done.problems)]
    told = ", ".join(
        f"{count} {_WORDS[kind]}" for kind, count in done.counts.items() if count and kind in _WORDS
    )
    stored = isinstance(done, ImportResult) and done.stored
    lines = [f"{done.filename}: {told}" + ("" if stored else " (a preview: nothing is stored)")]
    lines += [
        f"line {row.line}: {_WORDS[row.result]}: {row.sample.asset_code}, {row.sample.compartment},"
        f" {row.sample.taken_at:%Y-%m-%d %H:%M} UTC"
        for row in done.rows
        if row.result in ("changes", "repeated")
    ]
    return lines


_WORDS: Mapping[str, str] = {
    "new": "new",
    "already_known": "already known",
    "changes": "changed against an earlier file",
    "repeated": "repeated within the file",
}


def _in_words(problem: Rejection) -> str:
    place = [f"line {problem.line}"] if problem.line else []
    place += [f"column '{problem.column}'"] if problem.column else []
    return f"{', '.join(place) or problem.field}: {problem.reason}"


def _import(connection: Connection, file: _File, now: datetime, context: RecordContext) -> ImportResult:
    try:
        laboratory, profile = _laboratory(connection, file.laboratory_code)
    except _NoLaboratoryError as error:
        problem = Rejection("laboratory", str(error))
        return ImportResult(file.filename, file.laboratory_code, problems=(problem,))
    parsed, problems = read_laboratory_file(file.content, profile)
    resolver = RowResolver(fleet.asset_index(connection), profile, (file.laboratory_code, file.filename), now)
    samples = [(row, resolver.sample(row)) for row in parsed]
    problems += resolver.problems
    if problems:
        in_order = tuple(sorted(problems, key=lambda p: p.line or 0))
        return ImportResult(file.filename, file.laboratory_code, problems=in_order)
    before = files.find(connection, laboratory.id, hashlib.sha256(file.content).hexdigest())
    file_id = files.add(
        connection, files.NewFile(laboratory.id, file.filename, file.content, now, file.author)
    )
    resolved = [(row.line, sample) for row, sample in samples if sample is not None]
    told = [sample for line, sample in resolved if line not in resolver.repeats]
    outcomes = record_in(
        connection, file.laboratory_code, told, now, RecordContext(context.public_url, file_id)
    )
    rows = _results(resolved, resolver.repeats, outcomes)
    return ImportResult(
        file.filename,
        file.laboratory_code,
        rows=rows,
        known_file=before is not None,
        stored=True,
        file_id=file_id,
    )


def _printable(text: str) -> str:
    """A name that a browser sent, fit for the record: a database takes no NUL and no half characters."""
    return "".join(c if c.isprintable() else "?" for c in text)[:255]


def _laboratory(connection: Connection, code: str) -> tuple[StoredSource, Profile]:
    stored = fleet.find_source(connection, code) if code.isprintable() else None
    if stored is None or stored.source.kind is not SourceKind.LABORATORY:
        known = ", ".join(s.code for s in fleet.all_sources(connection, SourceKind.LABORATORY))
        raise _NoLaboratoryError(f"no laboratory has the code {shown(code)}; known are {known or 'none'}")
    if stored.source.profile is None:
        raise _NoLaboratoryError(f"the laboratory {code} has no file profile; register it with one")
    try:
        return stored, load_profile(stored.source.profile)
    except ProfileError as error:
        raise _NoLaboratoryError(f"the laboratory {code} cannot send files: {error}") from None


def _results(
    resolved: Sequence[tuple[int, Sample]], repeats: Mapping[int, int], outcomes: Sequence[Outcome]
) -> tuple[RowResult, ...]:
    """Row by row; a KeyError when the recording refused a sample that was resolved undoes the transaction."""
    following = iter(outcomes)
    rows = []
    for line, sample in resolved:
        if line in repeats:
            rows.append(RowResult(line, "repeated", sample))
        else:
            outcome = next(following)
            rows.append(RowResult(line, _KINDS[outcome.result], sample, outcome.sample_id))
    return tuple(rows)
