"""CSV as text only: what stands in each cell, with its line. Nothing is guessed."""

import csv
import io
from collections.abc import Iterator

from app.domain.model import Rejection
from app.intake.files.grid import Line, RawRow, Table, rows_of
from app.intake.files.profile import Profile
from app.intake.text import UnreadableFileError, decode


def read_csv(content: bytes, profile: Profile) -> tuple[list[RawRow], list[Rejection]]:
    """The rows of a text file by the profile's headers, and what of the file cannot be read."""
    try:
        text = decode(content, profile.encoding)
    except UnreadableFileError as error:
        return [], [Rejection("file", str(error))]
    first = next(line for line in text.splitlines() if line.strip())
    return rows_of((Table(lines(text, mark), mark) for mark in profile.delimiters), first, profile)


def lines(text: str, delimiter: str) -> Iterator[Line]:
    """Rows that are not blank, each with the line it begins at.

    Raises:
        UnreadableFileError: where quotation marks do not pair; the message names the line.
    """
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
            yield Line(begin, cells)
        begin = reader.line_num + 1
