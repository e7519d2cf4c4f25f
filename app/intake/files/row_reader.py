"""One row of a laboratory's table: its unit, compartment, time and readings as the profile declares them."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from app.domain.model import Reading, Rejection
from app.intake.escaping import unescaped
from app.intake.files.grid import Cell, RawRow, text_of
from app.intake.files.profile import Profile, ReadingColumn
from app.intake.files.sampling_time import NoTimeError, TimeReader
from app.intake.numbers import NotANumberError, parse_number, shown
from app.intake.text import folded
from app.intake.units import UNITS, Conversion, conversion, unit_named
from app.intake.validate import ImpossibleError, check_reading

LONGEST_TEXT: Final = 2000
"""Characters of a remark."""


@dataclass(frozen=True, slots=True)
class ReadRow:
    """What one row of the table says. ``headers``: by quantity, the column its reading stands in."""

    raw: RawRow
    units: Mapping[str, str]
    compartment: str | None
    taken_at: datetime
    readings: Mapping[str, Reading]
    headers: Mapping[str, str]
    raw_texts: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class _Rule:
    """How one quantity's cells are read: ``header`` for messages, everything else worked out once a file."""

    header: str
    quantity: str
    unit: str
    to_own: Conversion
    limit: float | None
    """Detection limit in the program's unit."""


class RowReader:
    """Reads rows of one file by its profile and adds what is wrong with them to ``problems``."""

    def __init__(self, profile: Profile, problems: list[Rejection]) -> None:
        self.profile = profile
        self.problems = problems
        self.not_measured = frozenset(folded(word) for word in profile.not_measured)
        self.not_detected = frozenset(folded(word) for word in profile.not_detected)
        # most cells are numbers: one whose first digit begins no word need not be compared with the words
        self.no_word = frozenset("123456789") - {word[:1] for word in self.not_measured | self.not_detected}
        self.compartments = {folded(word): name for word, name in profile.compartment.names.items()}
        self.style = profile.number_style
        self.times = TimeReader(profile.time)
        self.rules = [self._rule(column) for column in profile.readings]
        self.words = {folded(rule.header): rule for rule in self.rules}
        self.ignored = (
            frozenset(folded(word) for word in profile.long.ignored) if profile.long else frozenset()
        )

    def _rule(self, column: ReadingColumn) -> _Rule:
        to_own = self.profile.conversion(column)
        limit = None if column.detection_limit is None else to_own.own(column.detection_limit)
        return _Rule(column.column, column.quantity, column.unit, to_own, limit)

    def read(self, raw: RawRow) -> ReadRow | None:
        """The row, or None when it cannot be taken or (long layout) is of a quantity that is not wanted."""
        before = len(self.problems)
        units = self._units(raw)
        compartment = self._compartment(raw)
        taken_at = self._taken_at(raw)
        if self.profile.long is None:
            readings = self._wide_readings(raw)
            headers = {rule.quantity: rule.header for rule in self.rules if rule.quantity in readings}
        else:
            readings = self._long_reading(raw)
            headers = dict.fromkeys(readings, self.profile.long.value)
        texts = {
            "laboratory_number": self._text(raw, self.profile.laboratory_number, "laboratory_number"),
            "remark": self._text(raw, self.profile.remark, "remark"),
            "source": self._text(raw, self.profile.source, "source"),
        }
        if self.profile.source and not texts["source"]:
            self._problem(raw, "source", self.profile.source, "is empty; write the code of who measured")
        if not readings and len(self.problems) == before and self.profile.long is None:
            reason = "the row gives no reading; remove it or fill in what was measured"
            self._problem(raw, "readings", None, reason)
        if len(self.problems) > before or taken_at is None:
            return None
        return ReadRow(raw, units, compartment, taken_at, readings, headers, texts)

    def _problem(self, raw: RawRow, field: str, column: str | None, reason: str) -> None:
        text = raw.text(column) if column else None
        self.problems.append(Rejection(field, reason, line=raw.line, column=column, text=text))

    def _units(self, raw: RawRow) -> dict[str, str]:
        columns = [unit.column for unit in self.profile.unit]
        units = {column: text for column in columns if (text := self._plain(raw.text(column)))}
        if not units:
            names = " or ".join(f"'{column}'" for column in columns)
            self._problem(raw, "unit", columns[0], f"does not say which unit was sampled; fill in {names}")
        return units

    def _compartment(self, raw: RawRow) -> str | None:
        known = self.profile.compartment
        text = self._plain(raw.text(known.column))
        if not text:
            return known.default
        if not known.names:
            return text
        name = self.compartments.get(folded(text))
        if name is None:
            words = ", ".join(f"'{word}'" for word in known.names)
            reason = f"{shown(text)} is not a compartment; known are {words}"
            self._problem(raw, "compartment", known.column, reason)
        return name

    def _taken_at(self, raw: RawRow) -> datetime | None:
        spec = self.profile.time
        when = raw.cells[spec.date]
        clock = raw.cells[spec.time] if spec.time else ""
        try:
            return self.times.read(when, clock)
        except NoTimeError as error:
            column = spec.time if error.of_the_clock else spec.date
            self._problem(raw, "taken_at", column, str(error))
            return None

    def _wide_readings(self, raw: RawRow) -> dict[str, Reading]:
        readings = {}
        for rule in self.rules:
            cell = raw.cells.get(rule.header, "")
            if cell == "":
                continue
            reading = self._reading(raw, rule, cell, rule.header)
            if reading is not None:
                readings[rule.quantity] = reading
        return readings

    def _long_reading(self, raw: RawRow) -> dict[str, Reading]:
        """The one reading of a row of the long layout, or none."""
        assert self.profile.long is not None
        columns = self.profile.long
        word = raw.text(columns.quantity)
        rule = self.words.get(folded(word))
        if rule is None:
            if folded(word) not in self.ignored:
                reason = (
                    f"{shown(word)} is not a quantity that profile {self.profile.name} knows; correct it, or list it"
                    " there under 'readings', or under 'long.ignored' if it is not wanted"
                )
                self._problem(raw, "quantity", columns.quantity, reason)
            return {}
        cell = raw.cells[columns.value]
        if cell == "":
            return {}
        rule_of_row = self._in_the_rows_unit(raw, rule)
        if rule_of_row is None:
            return {}
        sign = raw.text(columns.sign)
        if sign:
            cell = sign + text_of(cell)
        reading = self._reading(raw, rule_of_row, cell, columns.value)
        return {} if reading is None else {rule.quantity: reading}

    def _in_the_rows_unit(self, raw: RawRow, rule: _Rule) -> _Rule | None:
        """The rule with the unit and the detection limit that the row itself gives."""
        assert self.profile.long is not None
        columns = self.profile.long
        to_own, unit, limit = rule.to_own, rule.unit, rule.limit
        text = raw.text(columns.unit)
        if text:
            named = unit_named(rule.quantity, text)
            if named is None:
                known = ", ".join(UNITS[rule.quantity])
                reason = f"{rule.quantity} does not come in {shown(text)}; known are {known}"
                self._problem(raw, rule.quantity, columns.unit, reason)
                return None
            unit = named
            to_own = conversion(rule.quantity, named, self.profile.gas_volume_temperature)
        written = raw.text(columns.limit)
        if written and folded(written) not in self.not_measured:
            try:
                limit = to_own.own(parse_number(written.removeprefix("<"), self.style))
            except NotANumberError as error:
                self._problem(raw, rule.quantity, columns.limit, f"{shown(written)}: {error}")
                return None
        return _Rule(rule.header, rule.quantity, unit, to_own, limit)

    def _reading(self, raw: RawRow, rule: _Rule, cell: Cell, header: str) -> Reading | None:
        """The reading of a cell; None when it says "not measured" or cannot be taken."""
        try:
            if isinstance(cell, float):
                return self._number(rule, cell)
            text = text_of(cell)
            if text[0] in self.no_word:
                return self._written(rule, text)
            word = folded(text)
            if word in self.not_measured:
                return None
            return self._not_detected(rule) if word in self.not_detected else self._written(rule, text)
        except (NotANumberError, ImpossibleError) as error:
            self._problem(raw, rule.quantity, header, f"{shown(text_of(cell))}: {error}")
            return None

    def _number(self, rule: _Rule, number: float) -> Reading:
        if number == 0 and self.profile.zero == "below_limit" and rule.limit is not None:
            return check_reading(rule.quantity, below=rule.limit)
        return check_reading(rule.quantity, value=rule.to_own.own(number) + 0.0)

    def _not_detected(self, rule: _Rule) -> Reading:
        if rule.limit is None:
            raise ImpossibleError(
                f"below which limit? Profile {self.profile.name} gives none for this column; write '<L',"
                " or add detection_limit to the profile"
            )
        return check_reading(rule.quantity, below=rule.limit)

    def _written(self, rule: _Rule, text: str) -> Reading:
        if text.startswith("="):
            raise ImpossibleError(
                "a formula without its value; let a spreadsheet program calculate and save the file"
            )
        if rule.unit == "%" and text.endswith("%"):
            text = text[:-1]
        if text.startswith(("<", "＜")):
            return check_reading(rule.quantity, below=rule.to_own.own(parse_number(text[1:], self.style)))
        if text.startswith((">", "≥", "≤")):
            raise ImpossibleError("only '<' may stand before a number; give the number that was measured")
        return self._number(rule, parse_number(text, self.style))

    def _text(self, raw: RawRow, column: str | None, field: str) -> str:
        text = self._plain(raw.text(column))
        if len(text) > LONGEST_TEXT:
            self._problem(raw, field, column, f"is longer than {LONGEST_TEXT} characters; shorten it")
        return text

    def _plain(self, text: str) -> str:
        """Without the apostrophe that keeps a spreadsheet from taking a text for a formula."""
        return unescaped(text) if self.profile.escaped_text else text
