"""CSV as text only: which row is the header, and what stands in each cell, with its line. Nothing is guessed."""

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import islice

from app.domain.model import Rejection
from app.intake.numbers import shown
from app.intake.profile import Profile
from app.intake.text import UnreadableFileError, decode, folded


@dataclass(frozen=True, slots=True)
class RawRow:
    """One row: ``line`` counts from 1 as a text editor does; ``cells`` by the profile's header, stripped."""

    line: int
    cells: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class _Line:
    line: int
    cells: list[str]


def read_csv(content: bytes, profile: Profile) -> tuple[list[RawRow], list[Rejection]]:
    """The rows of a file by the profile's headers, and what of the file cannot be read.

    Blank rows and empty trailing columns are passed over.
    """
    try:
        text = decode(content, profile.encoding)
        following, header, delimiter = _find_header(text, profile)
        lines = list(following)
    except UnreadableFileError as error:
        return [], [Rejection("file", str(error))]
    columns, problems = _columns(header, profile)
    if problems:
        return [], problems
    rows = []
    for line in lines:
        problem = _misshapen(line, len(header.cells), delimiter, profile)
        if problem:
            problems.append(problem)
        else:
            cells = {name: line.cells[i].strip() for name, i in columns.items()}
            rows.append(RawRow(line.line, cells))
    if not rows and not problems:
        problems.append(Rejection("file", "the file has a header but no row under it", line=header.line))
    return rows, problems


def _find_header(text: str, profile: Profile) -> tuple[Iterator[_Line], _Line, str]:
    """The lines after the header, the header, and the delimiter that made it readable."""
    required = {folded(header) for header in profile.required_columns}
    for delimiter in profile.delimiters:
        lines = _lines(text, delimiter)
        for line in islice(lines, profile.header_within_rows):
            if required <= {folded(cell) for cell in line.cells}:
                return lines, _without_empty_end(line), delimiter
    wanted = " and ".join(f"'{header}'" for header in profile.required_columns)
    first = next(line for line in text.splitlines() if line.strip())
    where = (
        "the first row" if profile.header_within_rows == 1 else f"the first {profile.header_within_rows} rows"
    )
    marks = " or ".join(f"'{mark}'" for mark in profile.delimiters)
    raise UnreadableFileError(
        f"no header row with the columns {wanted} in {where}, separated by {marks}; the file begins"
        f" {shown(first)}. Is it a file of this laboratory (profile {profile.name})?"
    )


def _lines(text: str, delimiter: str) -> Iterator[_Line]:
    """Rows that are not blank, each with the line it begins at."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    begin = 1
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise UnreadableFileError(
                f"line {begin}: cannot be read as CSV ({error}); look for a quotation mark too many or too few"
            ) from None
        if any(cell.strip() for cell in cells):
            yield _Line(begin, cells)
        begin = reader.line_num + 1


def _without_empty_end(line: _Line) -> _Line:
    cells = list(line.cells)
    while cells and not cells[-1].strip():
        cells.pop()
    return _Line(line.line, cells)


def _columns(header: _Line, profile: Profile) -> tuple[dict[str, int], list[Rejection]]:
    """Place of each of the profile's headers that the file has; headers missing, repeated or not known."""
    known = {folded(name): name for name in (*profile.columns, *profile.ignored)}
    read = set(profile.columns)
    columns: dict[str, int] = {}
    problems = []

    def problem(column: str, reason: str) -> None:
        problems.append(Rejection("header", reason, line=header.line, column=column, text=column))

    for i, cell in enumerate(header.cells):
        name = known.get(folded(cell))
        if name is None:
            problem(cell.strip(), _unknown(cell.strip(), i, list(known.values()), profile))
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


def _misshapen(line: _Line, width: int, delimiter: str, profile: Profile) -> Rejection | None:
    extra = [cell for cell in line.cells[width:] if cell.strip()]
    if extra:
        hint = (
            "; a decimal comma without quotation marks?"
            if (delimiter, profile.decimal_mark) == (",", ",")
            else ""
        )
        reason = f"the row has {len(line.cells)} cells where the header has {width}{hint}"
        return Rejection("row", reason, line=line.line, text=shown(extra[0]))
    if len(line.cells) < width:
        return Rejection(
            "row",
            f"the row has only {len(line.cells)} cells where the header has {width}; was it cut off?",
            line=line.line,
            text=shown(delimiter.join(line.cells)),
        )
    return None
