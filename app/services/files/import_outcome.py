"""What a laboratory's file would do or did: row by row, unit by unit, and in lines of plain text."""

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from app.domain.model import Rejection, Sample
from app.intake.files.profile import Profile

RowKind = Literal["new", "already_known", "changes", "repeated"]

Progress = Callable[[str, int, int], None]
"""Called with what is being done (``reading`` or ``judging``), how much is done, how much there is."""


@dataclass(frozen=True, slots=True)
class ImportChoices:
    """What a person decides about one import.

    Attributes:
        profile: how to read the file, in place of the laboratory's own profile.
        units: asset code by the text that stands for the unit in the file.
        progress: see :data:`Progress`.
    """

    profile: Profile | None = None
    units: Mapping[str, str] = field(default_factory=dict)
    progress: Progress | None = None


@dataclass(frozen=True, slots=True)
class RowResult:
    """What becomes of one row: a ``new`` sample, ``already_known``, one that ``changes`` an earlier sample of
    the same time, or ``repeated`` in this very file with the same readings."""

    line: int
    result: RowKind
    sample: Sample
    sample_id: int | None = None
    """None in a preview."""
    changes: Mapping[str, tuple[str | None, str | None]] = field(default_factory=dict)
    """By field, what was and what is, in the program's units; of a row that changes an earlier sample."""
    doubts: tuple[str, ...] = ()
    """Why the sample itself is in doubt (air, a slip of the pen ...), one sentence each."""


@dataclass(frozen=True, slots=True)
class UnknownUnit:
    """A text that stands for a unit in the file, and no unit is registered under it."""

    text: str
    column: str
    lines: tuple[int, ...]
    near: tuple[str, ...]
    """Codes or serial numbers that are written alike, the nearest first."""


@dataclass(frozen=True, slots=True)
class AlertEffect:
    """What the file does to one alert. States as in :class:`app.domain.alerting.decisions.State`."""

    condition: str
    from_state: str
    to_state: str
    severity: int
    headline: str
    alert_id: int | None
    """None in a preview for an alert that does not exist yet."""
    existed: bool = True
    """False when the file is what brings the alert into being."""


@dataclass(frozen=True, slots=True)
class UnitEffect:
    """Where a compartment stands before and after the file, by the sample that decides its place in the list."""

    asset_code: str
    compartment: str
    rows: int
    status_before: int | None
    status_after: int | None
    fault_after: str | None
    suspect_after: bool
    alerts: tuple[AlertEffect, ...] = ()


@dataclass(frozen=True)
class ImportPreview:
    """What a file would do. With ``problems`` it can do nothing; ``rows`` and ``effects`` then are empty.

    Attributes:
        filename, laboratory_code: what was asked.
        rows: one for each sample of the file, in its order.
        problems: everything that cannot be taken, each with line, column and text where it has them.
        known_file: the same bytes were imported before.
        unknown_units: what the problems say of units, once a text: to be picked or registered.
        effects: every compartment that gets a new or changed sample.
        profile: name of the profile that the file was read by; empty when there was none.
    """

    filename: str
    laboratory_code: str
    rows: tuple[RowResult, ...] = ()
    problems: tuple[Rejection, ...] = ()
    known_file: bool = False
    unknown_units: tuple[UnknownUnit, ...] = ()
    effects: tuple[UnitEffect, ...] = ()
    profile: str = ""

    @property
    def counts(self) -> dict[str, int]:
        """Rows by result, and how many are ``doubtful`` besides, and ``error``."""
        found = Counter(row.result for row in self.rows)
        kinds: tuple[RowKind, ...] = ("new", "already_known", "changes", "repeated")
        doubtful = sum(bool(row.doubts) for row in self.rows)
        return {**{kind: found[kind] for kind in kinds}, "doubtful": doubtful, "error": len(self.problems)}


@dataclass(frozen=True)
class ImportResult(ImportPreview):
    """What a file did. ``stored`` is False when there were problems: then nothing is stored of it."""

    stored: bool = False
    file_id: int | None = None


def too_large(size: int, most: int) -> str:
    """Why a file is not even read; sizes in bytes."""
    return f"{size} bytes; at most {most} are taken, see ULLAGE_MAX_UPLOAD_BYTES"


def describe(done: ImportPreview) -> list[str]:
    """A preview or result in lines of plain text: the sum first, then problems, or rows and units of note."""
    if done.problems:
        problems = len(done.problems)
        head = f"{done.filename}: {problems} problem{'s' * (problems > 1)}, nothing is stored of it"
        return [head, *(problem_in_words(problem) for problem in done.problems)]
    told = ", ".join(
        f"{count} {_WORDS[kind]}" for kind, count in done.counts.items() if count and kind in _WORDS
    )
    stored = isinstance(done, ImportResult) and done.stored
    lines = [f"{done.filename}: {told}" + ("" if stored else " (a preview: nothing is stored)")]
    lines += [_row_in_words(row) for row in done.rows if row.result in ("changes", "repeated")]
    lines += [
        f"line {row.line}: in doubt: {row.sample.asset_code}: {doubt}"
        for row in done.rows
        for doubt in row.doubts
    ]
    lines += [_effect_in_words(effect) for effect in done.effects if _of_note(effect)]
    return lines


_WORDS: Mapping[str, str] = {
    "new": "new",
    "already_known": "already known",
    "changes": "changed against an earlier file",
    "repeated": "repeated within the file",
    "doubtful": "of them in doubt",
}


def problem_in_words(problem: Rejection) -> str:
    """One line: where, and what is wrong."""
    place = [f"line {problem.line}"] if problem.line else []
    place += [f"column '{problem.column}'"] if problem.column else []
    return f"{', '.join(place) or problem.field}: {problem.reason}"


def _row_in_words(row: RowResult) -> str:
    line = (
        f"line {row.line}: {_WORDS[row.result]}: {row.sample.asset_code}, {row.sample.compartment},"
        f" {row.sample.taken_at:%Y-%m-%d %H:%M} UTC"
    )
    changes = ", ".join(
        f"{name} {was or 'none'} -> {now or 'none'}" for name, (was, now) in row.changes.items()
    )
    return f"{line}: {changes}" if changes else line


def _of_note(effect: UnitEffect) -> bool:
    return bool(effect.alerts) or effect.status_before != effect.status_after


def _effect_in_words(effect: UnitEffect) -> str:
    was, now = (
        "no status" if status is None else f"status {status}"
        for status in (effect.status_before, effect.status_after)
    )
    line = f"{effect.asset_code}, {effect.compartment}: {was} -> {now}"
    if effect.fault_after:
        line += f", {effect.fault_after}"
    alerts = "; ".join(
        f"alert {alert.condition}: {alert.to_state} ({alert.headline})" for alert in effect.alerts
    )
    return f"{line}; {alerts}" if alerts else line
