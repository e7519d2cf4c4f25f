"""A laboratory's file, previewed or imported: one path, and only the last step differs.

A file is all or nothing: one row that cannot be taken and none is stored. Importing a file again does no
harm; its samples are already known then.
"""

import hashlib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from difflib import get_close_matches
from typing import Literal

from app.domain.model import Rejection, Sample, SourceKind
from app.intake.laboratory import LaboratoryRow, read_laboratory_file
from app.intake.local_time import to_utc
from app.intake.numbers import shown
from app.intake.profile import Profile, ProfileError, UnitColumn, load_profile
from app.intake.validate import EARLIEST_LABORATORY, ImpossibleError, check_time
from app.services.record_samples import Outcome, RecordContext, record_in
from app.store import files, fleet
from app.store.database import Connection, Database
from app.store.fleet import AssetIndex, StoredSource

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
    file = _File(content, filename, laboratory_code, "preview")
    try:
        with database.write() as connection:
            found.append(_import(connection, file, now, RecordContext("")))
            raise _UndoError
    except _UndoError:
        pass
    done = found[0]
    rows = tuple(RowResult(row.line, row.result, row.sample) for row in done.rows)
    return ImportPreview(filename, laboratory_code, rows, done.problems, done.known_file)


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
        return _import(connection, _File(content, filename, laboratory_code, author), now, context)


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
    resolver = _Resolver(fleet.asset_index(connection), profile, file, now)
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


def _laboratory(connection: Connection, code: str) -> tuple[StoredSource, Profile]:
    stored = fleet.find_source(connection, code)
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


class _Resolver:
    """From what a row says to a sample of a compartment we know; gathers ``problems`` and ``repeats``."""

    def __init__(self, index: AssetIndex, profile: Profile, file: _File, now: datetime) -> None:
        self.index = index
        self.profile = profile
        self.file = file
        self.now = now
        self.problems: list[Rejection] = []
        self.repeats: dict[int, int] = {}
        """Line of a repeated row -> the line it repeats."""
        self._seen: dict[tuple[str, str, datetime], tuple[int, Sample]] = {}

    def sample(self, row: LaboratoryRow) -> Sample | None:
        asset = self._asset(row)
        if asset is None:
            return None
        compartment = self._compartment(row, asset)
        at = self._taken_at(row, asset)
        if compartment is None or at is None:
            return None
        sample = Sample(
            asset_code=asset,
            compartment=compartment,
            source_code=self.file.laboratory_code,
            taken_at=at,
            readings=row.readings,
            origin={"file": self.file.filename, "line": row.line},
            laboratory_number=row.laboratory_number,
            remark=row.remark,
        )
        return sample if self._is_first_of_its_time(row, sample) else None

    def _problem(self, row: LaboratoryRow, field: str, column: str | None, reason: str) -> None:
        text = row.units.get(column) if column else None
        self.problems.append(Rejection(field, reason, line=row.line, column=column, text=text))

    def _asset(self, row: LaboratoryRow) -> str | None:
        """The one asset that all columns which say anything agree on; a name only where nothing surer is."""
        sure = [unit for unit in self.profile.unit if unit.by != "name"]
        names = [unit for unit in self.profile.unit if unit.by == "name"]
        for columns in (sure, names):
            given = [unit for unit in columns if unit.column in row.units]
            found = {unit.column: self._find(row, unit) for unit in given}
            known = {column: codes for column, codes in found.items() if codes}
            if known:
                return self._agreed(row, given, known)
        column, text = next(iter(row.units.items()))
        self._problem(row, "unit", column, self._unknown(text))
        return None

    def _find(self, row: LaboratoryRow, unit: UnitColumn) -> list[str]:
        return self.index.find(row.units[unit.column], (unit.by,))

    def _agreed(
        self, row: LaboratoryRow, given: Sequence[UnitColumn], known: Mapping[str, list[str]]
    ) -> str | None:
        common = set.intersection(*(set(codes) for codes in known.values()))
        first = next(iter(known))
        if len(common) > 1:
            several = ", ".join(sorted(common))
            self._problem(row, "unit", first, f"{shown(row.units[first])} may be any of {several}; say which")
            return None
        if not common:
            told = " but ".join(f"'{c}' {shown(row.units[c])} is {' or '.join(a)}" for c, a in known.items())
            self._problem(row, "unit", first, f"the row names two units: {told}; correct one of them")
            return None
        (asset,) = common
        for unit in given:
            registered = self._registered_serial(asset)
            if unit.column not in known and unit.by == "serial" and registered:
                reason = (
                    f"{asset} is registered with the serial number {shown(registered)}; correct one of them"
                )
                self._problem(row, "unit", unit.column, reason)
                return None
        return asset

    def _registered_serial(self, asset: str) -> str | None:
        return next((serial for serial, codes in self.index.by_serial.items() if asset in codes), None)

    def _unknown(self, text: str) -> str:
        known = [*self.index.by_code, *self.index.by_serial]
        near = get_close_matches(text[:100], known, 1)
        hint = f"was {shown(near[0])} meant?" if near else "register it first, or correct the number"
        return f"no unit {shown(text)} is registered; {hint}"

    def _compartment(self, row: LaboratoryRow, asset: str) -> str | None:
        has = self.index.compartments.get(asset, ())
        if row.compartment is None and len(has) == 1:
            return has[0]
        if row.compartment in has:
            return row.compartment
        column = self.profile.compartment.column
        which = (
            "does not say which"
            if row.compartment is None
            else f"has no compartment {shown(row.compartment)}"
        )
        subject = "the row" if row.compartment is None else asset
        self._problem(
            row, "compartment", column, f"{subject} {which}; {asset} has {', '.join(has) or 'none'}"
        )
        return None

    def _taken_at(self, row: LaboratoryRow, asset: str) -> datetime | None:
        spec = self.profile.time
        zone = self.index.time_zones[asset] if spec.zone == "site" else spec.zone
        try:
            at = to_utc(row.taken_at, zone, spec.repeated_hour)
            return check_time(at, self.now, EARLIEST_LABORATORY)
        except ImpossibleError as error:
            self._problem(row, "taken_at", spec.date, str(error))
            return None

    def _is_first_of_its_time(self, row: LaboratoryRow, sample: Sample) -> bool:
        """False and a problem when an earlier row contradicts; a row that says the same is noted as a repeat."""
        key = (sample.asset_code, sample.compartment, sample.taken_at)
        line, earlier = self._seen.setdefault(key, (row.line, sample))
        if line == row.line:
            return True
        if dict(earlier.readings) == dict(sample.readings):
            self.repeats[row.line] = line
            return True
        reason = f"line {line} already gives other readings of {key[0]}, {key[1]} at that time; remove one"
        self._problem(row, "row", None, reason)
        return False
