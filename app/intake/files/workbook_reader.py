"""xlsx workbooks: the cells of one sheet as real numbers, dates, times and texts, with their place.

Cells come as a stream, so that two cells at the far ends of a sheet cost nothing.
"""

import io
import struct
import zipfile
import zlib
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from itertools import repeat
from typing import Any, Final
from xml.etree.ElementTree import ParseError

import openpyxl
from openpyxl.utils.exceptions import InvalidFileException

from app.domain.model import Rejection
from app.intake.files.grid import Cell, Line, RawRow, Table, rows_of, text_of
from app.intake.files.profile import Profile
from app.intake.files.workbook_check import check_workbook
from app.intake.text import UnreadableFileError

MOST_CELLS: Final = 10_000_000
MOST_ROWS: Final = 1_048_576
"""Of a sheet: no spreadsheet program writes more."""

_MALFORMED: Final = (
    zipfile.BadZipFile,
    zlib.error,
    ParseError,
    InvalidFileException,
    struct.error,
    EOFError,
    KeyError,
    IndexError,
    ValueError,
    TypeError,
    AttributeError,
    ArithmeticError,
    NotImplementedError,
)
"""What the library lets through when a part is missing or not what the format says."""


def read_workbook(content: bytes, profile: Profile) -> tuple[list[RawRow], list[Rejection]]:
    """The rows of a workbook's sheet by the profile's headers, and what of it cannot be read."""
    try:
        lines = list(sheet_lines(content, profile.sheet, profile.decimal_mark))
    except UnreadableFileError as error:
        return [], [Rejection("file", str(error))]
    first = next((text for line in lines for cell in line.cells if (text := text_of(cell).strip())), "")
    return rows_of([Table(iter(lines))], first, profile)


def sheet_lines(content: bytes, sheet: str | None, decimal_mark: str = ".") -> Iterator[Line]:
    """Rows of a sheet that are not blank; hidden ones too, since they are part of the file.

    Args:
        content: the file's bytes.
        sheet: name of the sheet, or None for the first visible one.
        decimal_mark: with which percentages, which are seen and meant as text, are written.

    Raises:
        UnreadableFileError: if it is no workbook, is protected, too large, or damaged.
    """
    formulas_too = check_workbook(content)
    try:
        values = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=True)
        name = _sheet_name(values, sheet)
        written = None
        if formulas_too:
            written = openpyxl.load_workbook(io.BytesIO(content), read_only=True)[name]
        yield from _lines(values[name], written, decimal_mark)
    except UnreadableFileError:
        raise
    except _MALFORMED as error:
        raise UnreadableFileError(
            f"the workbook is damaged ({type(error).__name__}); open it in a spreadsheet program and save it again"
        ) from None


def sheet_names(content: bytes) -> tuple[str, ...]:
    """Names of a workbook's visible sheets. Raises UnreadableFileError as :func:`sheet_lines` does."""
    check_workbook(content)
    try:
        book = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=True)
        return tuple(str(s.title) for s in book.worksheets if s.sheet_state == "visible")
    except _MALFORMED as error:
        raise UnreadableFileError(
            f"the workbook is damaged ({type(error).__name__}); open it in a spreadsheet program and save it again"
        ) from None


def _sheet_name(book: Any, wanted: str | None) -> str:
    names = [sheet.title for sheet in book.worksheets]
    if wanted is not None:
        if wanted not in names:
            told = ", ".join(f"'{name}'" for name in names)
            raise UnreadableFileError(f"the workbook has no sheet '{wanted}'; it has {told or 'none'}")
        return wanted
    visible = [sheet.title for sheet in book.worksheets if sheet.sheet_state == "visible"]
    if not visible:
        raise UnreadableFileError("the workbook has no visible sheet")
    return str(visible[0])


def _lines(values: Any, written: Any | None, decimal_mark: str) -> Iterator[Line]:
    # what a sheet says of its own size may be wrong, and rows beyond it would be left out
    values.reset_dimensions()
    if written is not None:
        written.reset_dimensions()
    cells = 0
    formulas = repeat(()) if written is None else written.iter_rows()
    for number, (row, formula_row) in enumerate(zip(values.iter_rows(), formulas, strict=False), start=1):
        cells += len(row)
        if number > MOST_ROWS or cells > MOST_CELLS:
            raise UnreadableFileError(
                f"the sheet reaches beyond {MOST_ROWS} rows or {MOST_CELLS} cells, which is the limit;"
                " delete what is not needed, or save it as CSV"
            )
        line = [_cell(cell, decimal_mark) for cell in row]
        for i, formula in enumerate(formula_row):
            # a formula that was never calculated has no value; told as what it is, not as an empty cell
            if line[i] == "" and formula.data_type == "f":
                line[i] = f"={str(formula.value).removeprefix('=')}"
        if any(text_of(cell).strip() for cell in line):
            yield Line(number, line)


def _cell(cell: Any, decimal_mark: str) -> Cell:
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, int | float):
        return _number(float(value), cell.number_format, decimal_mark)
    if isinstance(value, datetime):
        shows_time = any(letter in (cell.number_format or "").lower() for letter in "hs")
        return value if shows_time or value.time() != time() else value.date()
    if isinstance(value, date | time):
        return value
    if isinstance(value, timedelta) and timedelta() <= value < timedelta(days=1):
        seconds = round(value.total_seconds())
        return time(seconds // 3600, seconds // 60 % 60, seconds % 60)
    return str(value)


def _number(value: float, number_format: str | None, decimal_mark: str) -> Cell:
    """A number as it is seen: 0.021 formatted as a percentage is seen, and meant, as 2.1 %."""
    if number_format and "%" in number_format:
        return f"{Decimal(repr(value)) * 100:f}%".replace(".", decimal_mark)
    return value
