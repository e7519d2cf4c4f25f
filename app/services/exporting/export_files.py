"""Tables out again as CSV, xlsx or Parquet. In the first two a text that a spreadsheet might run gets an apostrophe.

CSV and xlsx are written row by row: through pandas CSV took as long and xlsx twice as long, and either held all rows.
"""

import csv
import io
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from importlib.util import find_spec
from typing import BinaryIO, Final, Literal

import openpyxl
from openpyxl.cell import WriteOnlyCell

from app.errors import RefusedError
from app.intake.escaping import escaped
from app.services.exporting.export_tables import Cell, Kind, Table, table_of
from app.store.database import Database
from app.store.exporting.exports import Scope

Format = Literal["csv", "xlsx", "parquet"]
MOST_ROWS: Final = 1_048_575
"""Rows under the header of one sheet; what is more goes to a next sheet."""
TOLD_EVERY: Final = 500
FLEET: Final = Scope()
_NOT_IN_XML: Final = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")


class NoParquetError(RefusedError):
    """Parquet was asked for where the library for it is not installed."""

    def __init__(self) -> None:
        super().__init__("Parquet needs pyarrow, which is not installed here: pip install 'ullage[parquet]'")


@dataclass(frozen=True, slots=True)
class Wanted:
    """What to export: which table, of which units, as which kind of file."""

    kind: Kind
    scope: Scope = FLEET
    form: Format = "csv"


def export(
    database: Database, wanted: Wanted, out: BinaryIO, progress: Callable[[int], None] | None = None
) -> int:
    """Write samples, assessments or alerts to a binary stream.

    Args:
        progress: called now and then with the number of rows so far.

    Returns:
        Number of rows under the header.

    Raises:
        UnknownScopeError: if the scope's asset or site is not registered; nothing is written then.
        NoParquetError: if Parquet is asked for and pyarrow is not installed; nothing is written then.
    """
    write = _writer(wanted.form)
    with database.read() as connection:
        table = table_of(connection, wanted.kind, wanted.scope)
        return write(replace(table, rows=_told(table.rows, progress)), out)


def _told(
    rows: Iterator[tuple[Cell, ...]], progress: Callable[[int], None] | None
) -> Iterator[tuple[Cell, ...]]:
    for number, row in enumerate(rows):
        if progress is not None and number % TOLD_EVERY == 0:
            progress(number)
        yield row


def has_parquet() -> bool:
    """Whether Parquet can be written here."""
    return find_spec("pyarrow") is not None


def _writer(form: Format) -> Callable[[Table, BinaryIO], int]:
    if form != "parquet":
        return _write_csv if form == "csv" else _write_xlsx
    if not has_parquet():
        raise NoParquetError
    # pandas and pyarrow take half a second and 100 MB: only who asks for Parquet loads them
    from app.services.exporting.parquet_file import write_parquet

    return write_parquet


def _write_csv(table: Table, out: BinaryIO) -> int:
    text = io.TextIOWrapper(out, encoding="utf-8-sig", newline="", write_through=True)
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(table.columns)
    count = 0
    for row in table.rows:
        writer.writerow([_as_text(cell) for cell in row])
        count += 1
    text.detach()
    return count


def _as_text(cell: Cell) -> str:
    """A float in full, so that reading it gives the same float."""
    if cell is None:
        return ""
    if isinstance(cell, str):
        return escaped(cell)
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, datetime):
        return cell.astimezone(UTC).isoformat().replace("+00:00", "Z")
    return repr(cell)


def _write_xlsx(table: Table, out: BinaryIO) -> int:
    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet(table.kind)
    sheet.append(table.columns)
    count = 0
    for row in table.rows:
        if count and count % MOST_ROWS == 0:
            sheet = book.create_sheet(f"{table.kind} {count // MOST_ROWS + 1}")
            sheet.append(table.columns)
        sheet.append([_as_cell(cell, sheet) for cell in row])
        count += 1
    book.save(out)
    return count


def _as_cell(cell: Cell, sheet: object) -> object:
    if isinstance(cell, str):
        return escaped(_NOT_IN_XML.sub("?", cell))
    if isinstance(cell, datetime):
        # a workbook knows no time zone: times are UTC, as the column's description says
        written = WriteOnlyCell(sheet, value=cell.astimezone(UTC).replace(tzinfo=None))  # type: ignore[arg-type]
        written.number_format = "yyyy-mm-dd hh:mm:ss"
        return written
    return cell
