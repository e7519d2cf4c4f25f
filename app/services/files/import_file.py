"""A laboratory's file, previewed or imported: one path, and only the last step differs.

A file is all or nothing: one row that cannot be taken and none is stored. Importing a file again does no
harm; its samples are already known then.
"""

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial

from app.domain.model import Rejection, Sample, SourceKind
from app.errors import UnknownError
from app.intake.files.laboratory import LaboratoryRow, read_laboratory_file
from app.intake.files.profile import Profile, ProfileError, load_profile, parse_profile
from app.intake.numbers import shown
from app.services.files.import_effects import Before, effects_of, look_before, row_changes
from app.services.files.import_outcome import (
    AlertEffect,
    ImportChoices,
    ImportPreview,
    ImportResult,
    Progress,
    RowKind,
    RowResult,
    UnitEffect,
    UnknownUnit,
    describe,
)
from app.services.files.resolve_rows import JudgingContext, RowResolver
from app.services.recording.outcomes import Outcome
from app.services.recording.record_samples import BatchTerms, record_by_compartment
from app.store.database import Connection, Database
from app.store.files import files, import_effects, laboratory_profiles
from app.store.registering import fleet, source_lookup
from app.store.registering.source_lookup import StoredSource

__all__ = [
    "AlertEffect",
    "ImportChoices",
    "ImportPreview",
    "ImportResult",
    "RowResult",
    "UnitEffect",
    "UnknownUnit",
    "describe",
    "import_file",
    "preview",
]

_KINDS: Mapping[str, RowKind] = {"stored": "new", "already_known": "already_known", "revised": "changes"}
NO_CHOICES = ImportChoices()


@dataclass(frozen=True, slots=True)
class _File:
    content: bytes
    filename: str
    laboratory_code: str
    author: str
    choices: ImportChoices


@dataclass(slots=True)
class _Resolved:
    """The samples of a file by line, and which lines repeat an earlier one."""

    samples: list[tuple[int, Sample]]
    repeats: Mapping[int, int]
    problems: list[Rejection] = field(default_factory=list)
    unknown_units: tuple[UnknownUnit, ...] = ()

    @property
    def told(self) -> list[Sample]:
        return [sample for line, sample in self.samples if line not in self.repeats]


@dataclass(frozen=True, slots=True)
class _Read:
    """A file as its profile reads it, before anything is known of the fleet."""

    laboratory_id: int
    profile: Profile
    rows: Sequence[LaboratoryRow]
    problems: Sequence[Rejection]


class _NoLaboratoryError(UnknownError):
    """No such laboratory is registered, or its profile cannot be used."""


def preview(
    database: Database,
    content: bytes,
    filename: str,
    laboratory_code: str,
    now: datetime,
    choices: ImportChoices = NO_CHOICES,
) -> ImportPreview:
    """What importing a file would do, found by doing it where it does not stay; instruments go on posting meanwhile."""
    file = _File(content, _printable(filename), laboratory_code, "preview", choices)
    try:
        read = _read(database, file)
        with database.rehearse() as connection:
            done = _import(connection, file, read, now, BatchTerms(""))
    except _NoLaboratoryError as error:
        done = _refused(file, error)
    return ImportPreview(
        file.filename,
        laboratory_code,
        tuple(replace(row, sample_id=None) for row in done.rows),
        done.problems,
        done.known_file,
        done.unknown_units,
        tuple(map(_unlinked, done.effects)),
        done.profile,
    )


def _unlinked(effect: UnitEffect) -> UnitEffect:
    """Without the ids of alerts that only the preview raised."""
    alerts = (alert if alert.existed else replace(alert, alert_id=None) for alert in effect.alerts)
    return replace(effect, alerts=tuple(alerts))


def import_file(
    database: Database,
    content: bytes,
    filename: str,
    laboratory_code: str,
    author: str,
    now: datetime,
    context: BatchTerms,
    choices: ImportChoices = NO_CHOICES,
) -> ImportResult:
    """Import a file in one transaction: all of it, or nothing when it has problems. The file itself is kept.

    Args:
        content: the file's bytes.
        filename: its name, for messages and the record.
        laboratory_code: the laboratory that sent it.
        author: who imports it.
        now: the server's time.
        context: see :class:`BatchTerms`.
        choices: what a person decided about this import.
    """
    file = _File(content, _printable(filename), laboratory_code, _printable(author), choices)
    try:
        read = _read(database, file)
    except _NoLaboratoryError as error:
        return _refused(file, error)
    with database.write() as connection:
        return _import(connection, file, read, now, context)


def _refused(file: _File, error: _NoLaboratoryError) -> ImportResult:
    return ImportResult(file.filename, file.laboratory_code, problems=(Rejection("laboratory", str(error)),))


def _read(database: Database, file: _File) -> _Read:
    """Read the file while nobody has to wait: on SQLite a write keeps all other writers out."""
    with database.read() as connection:
        laboratory, profile = _laboratory(connection, file)
    rows, problems = read_laboratory_file(file.content, profile, _stage(file.choices.progress, "reading"))
    return _Read(laboratory.id, profile, rows, problems)


def _import(
    connection: Connection, file: _File, read: _Read, now: datetime, context: BatchTerms
) -> ImportResult:
    resolved = _resolve(connection, file, read, now)
    refused = ImportResult(file.filename, file.laboratory_code, profile=read.profile.name)
    if resolved.problems:
        in_order = tuple(sorted(resolved.problems, key=lambda p: p.line or 0))
        return replace(refused, problems=in_order, unknown_units=resolved.unknown_units)
    known = files.find(connection, read.laboratory_id, hashlib.sha256(file.content).hexdigest()) is not None
    kept = files.NewFile(read.laboratory_id, file.filename, file.content, now, file.author)
    file_id = files.add(connection, kept)
    as_read = read.profile.model_dump(mode="json")
    import_effects.add_import(
        connection, import_effects.FileImport(file_id, now, file.author, as_read, file.choices.units)
    )
    before = look_before(connection, resolved.told)
    kept_context = BatchTerms(context.public_url, file_id)
    tell = _stage(file.choices.progress, "judging")
    outcomes = record_by_compartment(connection, resolved.told, now, kept_context, tell)
    rows = _results(connection, resolved, outcomes, before)
    effects = effects_of(connection, before, rows)
    return replace(refused, rows=rows, known_file=known, effects=effects, stored=True, file_id=file_id)


def _resolve(connection: Connection, file: _File, read: _Read, now: datetime) -> _Resolved:
    around = JudgingContext(
        file.laboratory_code, file.filename, now, file.choices.units, _sources(connection, read.rows)
    )
    resolver = RowResolver(fleet.asset_index(connection), read.profile, around)
    samples = [(row.line, sample) for row in read.rows if (sample := resolver.sample(row)) is not None]
    problems = [*read.problems, *resolver.problems]
    return _Resolved(samples, resolver.repeats, problems, resolver.unknown_units)


def _sources(connection: Connection, rows: Sequence[LaboratoryRow]) -> dict[str, StoredSource]:
    """The registered ones of the sources that the rows name."""
    codes = {row.source for row in rows if row.source is not None and row.source.isprintable()}
    found = ((code, source_lookup.find_source(connection, code)) for code in sorted(codes))
    return {code: source for code, source in found if source is not None}


def _stage(progress: Progress | None, stage: str) -> Callable[[int, int], None] | None:
    return None if progress is None else partial(progress, stage)


def _printable(text: str) -> str:
    """A name that a browser sent, fit for the record: a database takes no NUL and no half characters."""
    return "".join(c if c.isprintable() else "?" for c in text)[:255]


def _laboratory(connection: Connection, file: _File) -> tuple[StoredSource, Profile]:
    code = file.laboratory_code
    stored = source_lookup.find_source(connection, code) if code.isprintable() else None
    if stored is None or stored.source.kind is not SourceKind.LABORATORY:
        known = ", ".join(s.code for s in source_lookup.all_sources(connection, SourceKind.LABORATORY))
        raise _NoLaboratoryError(f"no laboratory has the code {shown(code)}; known are {known or 'none'}")
    if file.choices.profile is not None:
        return stored, file.choices.profile
    try:
        by_hand = laboratory_profiles.find(connection, code)
        if by_hand is not None:
            return stored, parse_profile(by_hand, f"the profile that was made for {code}")
        if stored.source.profile is None:
            raise _NoLaboratoryError(f"the laboratory {code} has no file profile; register it with one")
        return stored, load_profile(stored.source.profile)
    except ProfileError as error:
        raise _NoLaboratoryError(f"the laboratory {code} cannot send files: {error}") from None


def _results(
    connection: Connection, resolved: _Resolved, outcomes: Sequence[Outcome], before: Before
) -> tuple[RowResult, ...]:
    """Row by row; a KeyError when the recording refused a sample that was resolved undoes the transaction."""
    fresh = [o.sample_id for o in outcomes if o.sample_id is not None and o.result != "already_known"]
    doubts = import_effects.doubts_of(connection, fresh)
    following = iter(outcomes)
    rows = []
    for line, sample in resolved.samples:
        if line in resolved.repeats:
            rows.append(RowResult(line, "repeated", sample))
            continue
        outcome = next(following)
        kind = _KINDS[outcome.result]
        changes = row_changes(before, sample) if kind == "changes" else {}
        told = doubts.get(outcome.sample_id or 0, ()) if kind != "already_known" else ()
        rows.append(RowResult(line, kind, sample, outcome.sample_id, changes, told))
    return tuple(rows)
