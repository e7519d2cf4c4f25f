"""One table of cells, whatever file it came from: which row is the header, and what stands under each header.

A reader (:mod:`app.intake.files.csv_reader`, :mod:`app.intake.files.workbook_reader`) yields lines of cells; from
here on it makes no difference which. Nothing is guessed and nothing is left out unsaid.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from difflib import get_close_matches
from itertools import islice

from app.domain.model import Rejection
from app.intake.files.profile import Profile
from app.intake.numbers import shown
from app.intake.text import UnreadableFileError, folded
from app.intake.units import unit_named

Cell = str | float | datetime | date | time
"""Text as it stands in the file; a workbook also holds real numbers, dates and times of day."""


@dataclass(frozen=True, slots=True)
class Line:
    """A row that is not blank. ``line`` counts from 1, as a text editor or a spreadsheet does."""

    line: int
    cells: Sequence[Cell]


@dataclass(frozen=True, slots=True)
class Table:
    """The lines of a file, read one way.

    ``delimiter`` is None in a workbook, whose rows end where their last cell that is filled stands.
    """

    lines: Iterator[Line]
    delimiter: str | None = None


@dataclass(frozen=True, slots=True)
class RawRow:
    """One row under the header: its ``cells`` by the profile's headers, texts stripped; where each stands."""

    line: int
    cells: Mapping[str, Cell]
    places: Mapping[str, int] = field(default_factory=dict)
    """Column number by header, from 0."""
    of_workbook: bool = False

    def text(self, header: str | None) -> str:
        """What stands under a header, as text; empty where the file has no such column."""
        return "" if header is None else text_of(self.cells.get(header, ""))

    def address(self, header: str) -> str | None:
        """The cell as a spreadsheet names it, e.g. ``J7``; None in a text file."""
        return f"{column_letters(self.places[header])}{self.line}" if self.of_workbook else None


def text_of(cell: Cell) -> str:
    """A cell as a person would write it, whole numbers without a point."""
    if isinstance(cell, str):
        return cell
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    return cell.isoformat(" ") if isinstance(cell, datetime) else cell.isoformat()


def column_letters(column: int) -> str:
    """``A`` for column 0, ``Z`` for 25, ``AA`` for 26."""
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def rows_of(tables: Iterable[Table], first: str, profile: Profile) -> tuple[list[RawRow], list[Rejection]]:
    """The rows by the profile's headers, and what of the file cannot be read.

    Blank rows and empty trailing columns are passed over.

    Args:
        tables: ways to read the file; the first in which the header row is found is taken.
        first: the beginning of the file, for the message when none is.
        profile: whose headers are looked for.
    """
    try:
        table, header = _find_header(tables, first, profile)
        lines = list(table.lines)
    except UnreadableFileError as error:
        return [], [Rejection("file", str(error))]
    columns, problems = _columns(header, profile)
    if not problems and profile.units_under_header:
        problems = _wrong_units(lines.pop(0) if lines else None, header, columns, profile)
    if problems:
        return [], problems
    rows = []
    for line in lines:
        problem = _misshapen(line, len(header.cells), table, profile)
        if problem:
            problems.append(problem)
        else:
            rows.append(_row(line, columns, of_workbook=table.delimiter is None))
    if not rows and not problems:
        problems.append(Rejection("file", "the file has a header but no row under it", line=header.line))
    return rows, problems


def _row(line: Line, columns: dict[str, int], *, of_workbook: bool) -> RawRow:
    there = len(line.cells)
    cells = {name: _stripped(line.cells[i]) if i < there else "" for name, i in columns.items()}
    return RawRow(line.line, cells, columns, of_workbook)


def _stripped(cell: Cell) -> Cell:
    return cell.strip() if isinstance(cell, str) else cell


def _find_header(tables: Iterable[Table], first: str, profile: Profile) -> tuple[Table, Line]:
    """The table whose lines after the header are still to come, and the header."""
    required = {folded(header) for header in profile.required_columns}
    for table in tables:
        for line in islice(table.lines, profile.header_within_rows):
            if required <= {folded(text_of(cell)) for cell in line.cells}:
                return table, _without_empty_end(line)
    wanted = " and ".join(f"'{header}'" for header in profile.required_columns)
    where = (
        "the first row" if profile.header_within_rows == 1 else f"the first {profile.header_within_rows} rows"
    )
    marks = " or ".join(f"'{mark}'" if mark.isprintable() else "tabs" for mark in profile.delimiters)
    separated = "" if profile.file == "workbook" else f", separated by {marks}"
    raise UnreadableFileError(
        f"no header row with the columns {wanted} in {where}{separated}; the file begins {shown(first)}."
        f" Is it a file of this laboratory (profile {profile.name})?"
    )


def _without_empty_end(line: Line) -> Line:
    cells = list(line.cells)
    while cells and not text_of(cells[-1]).strip():
        cells.pop()
    return Line(line.line, cells)


def _columns(header: Line, profile: Profile) -> tuple[dict[str, int], list[Rejection]]:
    """Place of each of the profile's headers that the file has; headers missing, repeated or not known."""
    known = {folded(name): name for name in (*profile.columns, *profile.ignored)}
    read = set(profile.columns)
    columns: dict[str, int] = {}
    problems = []

    def problem(column: str, reason: str) -> None:
        problems.append(Rejection("header", reason, line=header.line, column=column, text=column))

    for i, cell in enumerate(header.cells):
        text = text_of(cell).strip()
        name = known.get(folded(text))
        if name is None:
            problem(text, _unknown(text, i, list(known.values()), profile))
        elif name in columns:
            problem(name, f"the column '{name}' stands twice; remove one")
        elif name in read:
            columns[name] = i
    problems += [
        Rejection("header", f"the column '{name}' is missing; add it", line=header.line, column=name)
        for name in profile.columns
        if name not in columns and name not in profile.optional_columns
    ]
    return columns, problems


def _unknown(cell: str, i: int, known: Sequence[str], profile: Profile) -> str:
    if not cell:
        return f"column {i + 1} has no header; give it one or remove it"
    near = get_close_matches(cell[:200], known, 1)
    hint = (
        f"was it meant to be '{near[0]}'?"
        if near
        else f"if it is not wanted, list it under 'ignored' in profile {profile.name}"
    )
    return f"the column {shown(cell)} is not known; {hint}"


def _wrong_units(
    line: Line | None, header: Line, columns: Mapping[str, int], profile: Profile
) -> list[Rejection]:
    """What the row of units under the header says otherwise than the profile."""
    if line is None:
        return [Rejection("file", "the file has a header but no row under it", line=header.line)]
    problems = []
    for column in profile.readings:
        place = columns.get(column.column)
        if place is None:
            continue
        text = text_of(line.cells[place]).strip() if place < len(line.cells) else ""
        if unit_named(column.quantity, text) != column.unit:
            reason = (
                f"the row under the header must give the unit of each column: {shown(text)} stands where"
                f" profile {profile.name} says {column.unit}; correct the file or the profile"
            )
            problems.append(
                Rejection("unit_of_measure", reason, line=line.line, column=column.column, text=text)
            )
    return problems


def _misshapen(line: Line, width: int, table: Table, profile: Profile) -> Rejection | None:
    extra = [cell for cell in line.cells[width:] if text_of(cell).strip()]
    if extra:
        hint = (
            "; a decimal comma without quotation marks?"
            if (table.delimiter, profile.decimal_mark) == (",", ",")
            else ""
        )
        reason = f"the row has {len(line.cells)} cells where the header has {width}{hint}"
        return Rejection("row", reason, line=line.line, text=shown(text_of(extra[0])))
    if table.delimiter is not None and len(line.cells) < width:
        return Rejection(
            "row",
            f"the row has only {len(line.cells)} cells where the header has {width}; was it cut off?",
            line=line.line,
            text=shown(table.delimiter.join(map(text_of, line.cells))),
        )
    return None
