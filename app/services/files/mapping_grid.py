"""A file cut into cells before anybody knows what they mean: for the mapping page."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import islice
from typing import Final

from app.intake.files.csv_reader import lines
from app.intake.files.grid import Cell, Line, text_of
from app.intake.files.synonyms import meaning_of
from app.intake.files.workbook_reader import sheet_lines, sheet_names
from app.intake.text import WORKBOOK, UnreadableFileError, decode

ROWS_READ: Final = 300
"""Rows that proposals are made from."""
HEADER_SOUGHT: Final = 40
"""The header is looked for among so many first rows."""
DELIMITERS: Final = (";", ",", "\t", "|")


@dataclass(frozen=True, slots=True)
class Structure:
    """How a file is cut into cells, as far as a person or a guess has decided."""

    encoding: str | None = None
    delimiter: str | None = None
    header_line: int | None = None
    """Line of the header, counted from 1 as a text editor does."""
    sheet: str | None = None
    """Of a workbook."""


@dataclass(frozen=True, slots=True)
class Grid:
    """A file as cells: the header and the first rows under it."""

    file: str
    """``text`` or ``workbook``."""
    encoding: str
    delimiter: str
    header: Line
    header_place: int
    """Which row that is not blank the header is, counted from 1."""
    rows: tuple[Line, ...]
    first_lines: tuple[Line, ...]
    """The first rows of the file, for choosing the header among them."""
    sheet: str | None = None
    sheets: tuple[str, ...] = ()

    @property
    def headers(self) -> tuple[str, ...]:
        texts = [text_of(cell).strip() for cell in self.header.cells]
        while texts and not texts[-1]:
            texts.pop()
        return tuple(texts)

    def column(self, place: int) -> list[Cell]:
        """Cells under a header that are not empty."""
        cells = [stripped(row.cells[place]) for row in self.rows if place < len(row.cells)]
        return [cell for cell in cells if cell != ""]


def read_grid(content: bytes, structure: Structure) -> Grid:
    """The cells of a file. Raises UnreadableFileError where it has none."""
    if content.startswith(WORKBOOK):
        return _workbook(content, structure)
    encoding = structure.encoding or _encoding(content)
    text = decode(content, encoding)
    candidates = [structure.delimiter] if structure.delimiter else DELIMITERS
    ways = {mark: _first_lines(text, mark) for mark in candidates}
    mark = max(ways, key=lambda m: _tableness(ways[m]))
    return _cut(("text", encoding, mark), ways[mark], structure.header_line)


def _workbook(content: bytes, structure: Structure) -> Grid:
    """The sheet that was chosen, or the first of those whose headers are known best."""
    names = sheet_names(content)
    wanted = names if structure.sheet is None else (structure.sheet,)
    sheets = {name: list(islice(sheet_lines(content, name), ROWS_READ + HEADER_SOUGHT)) for name in wanted}
    best = max(sheets, key=lambda name: max(_known_headers(sheets[name]), default=0))
    grid = _cut(("workbook", "utf-8", ""), sheets[best], structure.header_line)
    return replace(grid, sheet=best, sheets=names)


def _encoding(content: bytes) -> str:
    """UTF-8 if it is that (a byte order mark says so for UTF-16); else what the bytes allow."""
    if content.count(b"\0", 0, 4000) * 4 > len(content[:4000]) and not content.startswith((b"\xff", b"\xfe")):
        return "utf-16-le"
    try:
        decode(content, "utf-8")
    except UnreadableFileError:
        return "iso8859-15" if re.search(rb"[\x81\x8d\x8f\x90\x9d]", content) else "cp1252"
    return "utf-8"


def _first_lines(text: str, mark: str) -> list[Line]:
    """The first rows by a delimiter; none when quotation marks do not pair."""
    try:
        return list(islice(lines(text, mark), ROWS_READ + HEADER_SOUGHT))
    except UnreadableFileError:
        return []


def _tableness(found: Sequence[Line]) -> tuple[int, int]:
    """How much rows look like a table: rows of the commonest width above one, then that width."""
    widths = Counter(len(line.cells) for line in found if len(line.cells) > 1)
    if not widths:
        return (0, 0)
    width, count = max(widths.items(), key=lambda item: (item[1] * item[0], item[0]))
    return (count * (width - 1), width)


def _cut(how: tuple[str, str, str], found: Sequence[Line], header_line: int | None) -> Grid:
    file, encoding, mark = how
    place = _header_place(found) if header_line is None else _place_of_line(found, header_line)
    rows = tuple(found[place + 1 : place + 1 + ROWS_READ])
    if not rows:
        raise UnreadableFileError(f"no row stands under the header (line {found[place].line})")
    return Grid(file, encoding, mark, found[place], place + 1, rows, tuple(found[:HEADER_SOUGHT]))


def _place_of_line(found: Sequence[Line], header_line: int) -> int:
    for place, line in enumerate(found[:HEADER_SOUGHT]):
        if line.line == header_line:
            return place
    raise UnreadableFileError(f"line {header_line} is blank or not among the first {HEADER_SOUGHT} rows")


def _header_place(found: Sequence[Line]) -> int:
    """The first row with most headers that are known; where none is, the first of the commonest width."""
    if not found:
        raise UnreadableFileError(
            "the file is no table with one row a sample: no mark (; , tab |) cuts it into columns"
        )
    known = _known_headers(found)
    if max(known) >= 2:
        return known.index(max(known))
    widths = [len(line.cells) for line in found]
    common = Counter(widths).most_common(1)[0][0]
    return widths.index(common) if common in widths[:HEADER_SOUGHT] else 0


def _known_headers(found: Sequence[Line]) -> list[int]:
    """By row, how many of its cells are known as headers."""
    return [sum(meaning_of(text_of(c)) is not None for c in line.cells) for line in found[:HEADER_SOUGHT]]


def cell_at(row: Line, place: int | None) -> Cell:
    """The cell of a row at a place, texts stripped; empty where there is none."""
    return stripped(row.cells[place]) if place is not None and place < len(row.cells) else ""


def stripped(cell: Cell) -> Cell:
    """A text without the space around it; anything else as it is."""
    return cell.strip() if isinstance(cell, str) else cell
