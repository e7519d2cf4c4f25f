"""Rows of a laboratory's file as its profile reads them: which unit, when, and which readings, in our units.

Which unit of the fleet a row means is not known here; see :mod:`app.services.import_file`.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

from app.domain.model import Reading, Rejection
from app.intake.csv_reader import RawRow, read_csv
from app.intake.numbers import NotANumberError, parse_number, shown
from app.intake.profile import Profile, ReadingColumn
from app.intake.text import folded
from app.intake.validate import ImpossibleError, check_reading

LONGEST_TEXT = 2000
"""Characters of a remark."""


@dataclass(frozen=True, slots=True)
class LaboratoryRow:
    """One sample as the file tells it.

    Attributes:
        line: line of the file, counted from 1.
        units: what is written in the columns that say which unit, by their header; empty ones left out.
        compartment: our name of the compartment, or None where the asset's only one is meant.
        taken_at: local time, naive.
        readings: in the program's units, by quantity.
        laboratory_number, remark: as written, or None.
    """

    line: int
    units: Mapping[str, str]
    compartment: str | None
    taken_at: datetime
    readings: Mapping[str, Reading]
    laboratory_number: str | None
    remark: str | None


def read_laboratory_file(content: bytes, profile: Profile) -> tuple[list[LaboratoryRow], list[Rejection]]:
    """The samples of a file, and everything in it that cannot be taken, each with line, column and text.

    When the second list is not empty, the file is not to be stored.
    """
    raw_rows, problems = read_csv(content, profile)
    rows = []
    for raw in raw_rows:
        row = _RowReader(raw, profile, problems).read()
        if row is not None:
            rows.append(row)
    return rows, problems


@lru_cache(maxsize=64)
def _folded_words(words: tuple[str, ...]) -> frozenset[str]:
    return frozenset(folded(word) for word in words)


class _RowReader:
    """Reads one row and adds what is wrong with it to ``problems``."""

    def __init__(self, raw: RawRow, profile: Profile, problems: list[Rejection]) -> None:
        self.raw = raw
        self.profile = profile
        self.problems = problems
        self.not_measured = _folded_words(profile.not_measured)
        self.not_detected = _folded_words(profile.not_detected)

    def problem(self, field: str, column: str | None, reason: str) -> None:
        text = self.raw.cells.get(column, "") if column else None
        self.problems.append(Rejection(field, reason, line=self.raw.line, column=column, text=text))

    def read(self) -> LaboratoryRow | None:
        before = len(self.problems)
        units = self._units()
        compartment = self._compartment()
        taken_at = self._taken_at()
        readings = self._readings()
        number = self._text(self.profile.laboratory_number, "laboratory_number")
        remark = self._text(self.profile.remark, "remark")
        if not readings and len(self.problems) == before:
            self.problem("readings", None, "the row gives no reading; remove it or fill in what was measured")
        if len(self.problems) > before or taken_at is None:
            return None
        return LaboratoryRow(self.raw.line, units, compartment, taken_at, readings, number, remark)

    def _units(self) -> dict[str, str]:
        columns = [unit.column for unit in self.profile.unit]
        units = {column: text for column in columns if (text := self.raw.cells[column])}
        if not units:
            names = " or ".join(f"'{column}'" for column in columns)
            self.problem("unit", columns[0], f"does not say which unit was sampled; fill in {names}")
        return units

    def _compartment(self) -> str | None:
        known = self.profile.compartment
        if known.column is None or not (text := self.raw.cells[known.column]):
            return known.default
        for word, name in known.names.items():
            if folded(word) == folded(text):
                return name
        words = ", ".join(f"'{word}'" for word in known.names)
        self.problem("compartment", known.column, f"{shown(text)} is not a compartment; known are {words}")
        return None

    def _taken_at(self) -> datetime | None:
        spec = self.profile.time
        date = self.raw.cells[spec.date]
        time = self.raw.cells[spec.time] if spec.time else ""
        written = f"{date} {time}".strip()
        if not date:
            self.problem(
                "taken_at", spec.date, f"is empty; write when the sample was taken, {self._time_form()}"
            )
            return None
        for form in spec.formats:
            try:
                return datetime.strptime(written, form)  # noqa: DTZ007 - the zone follows with the unit's site
            except ValueError:
                continue
        if not time and spec.assumed is not None:
            day = self._day(date)
            if day is not None:
                return datetime.combine(day, spec.assumed)
        if not time and spec.time and self._day(date):
            self.problem("taken_at", spec.time, f"is empty; write the time of day, {self._time_form()}")
        else:
            self.problem(
                "taken_at", spec.date, f"{shown(written)} is not a date and time, {self._time_form()}"
            )
        return None

    def _day(self, date: str) -> datetime | None:
        for form in self.profile.time.formats:
            try:
                return datetime.strptime(date, form.split()[0])  # noqa: DTZ007 - a day only
            except ValueError:
                continue
        return None

    def _time_form(self) -> str:
        example = datetime(2026, 3, 31, 14, 5)  # noqa: DTZ001 - an example of writing
        return " or ".join(f"like {example.strftime(form)}" for form in self.profile.time.formats)

    def _readings(self) -> dict[str, Reading]:
        readings = {}
        for column in self.profile.readings:
            text = self.raw.cells.get(column.column, "")
            if not text or folded(text) in self.not_measured:
                continue
            try:
                readings[column.quantity] = self._reading(column, text)
            except (NotANumberError, ImpossibleError) as error:
                self.problem(column.quantity, column.column, f"{shown(text)}: {error}")
        return readings

    def _reading(self, column: ReadingColumn, text: str) -> Reading:
        to_own = self.profile.conversion(column).own
        style = self.profile.number_style
        if folded(text) in self.not_detected:
            if column.detection_limit is None:
                raise ImpossibleError(
                    f"below which limit? Profile {self.profile.name} gives none for this column; write '<L',"
                    " or add detection_limit to the profile"
                )
            return check_reading(column.quantity, below=to_own(column.detection_limit))
        if text.startswith(("<", "＜")):
            return check_reading(column.quantity, below=to_own(parse_number(text[1:], style)))
        if text.startswith((">", "≥", "≤")):
            raise ImpossibleError("only '<' may stand before a number; give the number that was measured")
        return check_reading(column.quantity, value=to_own(parse_number(text, style)) + 0.0)

    def _text(self, column: str | None, field: str) -> str | None:
        text = self.raw.cells.get(column, "") if column else ""
        if len(text) > LONGEST_TEXT:
            self.problem(field, column, f"is longer than {LONGEST_TEXT} characters; shorten it")
        return text or None
