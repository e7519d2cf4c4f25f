"""A laboratory's file as its profile reads it: which unit, when, and which readings, in our units.

Which unit of the fleet a row means is not known here; see :mod:`app.services.files.import_file`.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from app.domain.model import Reading, Rejection
from app.intake.files.csv_reader import read_csv
from app.intake.files.grid import RawRow
from app.intake.files.profile import Profile
from app.intake.files.row_reader import ReadRow, RowReader
from app.intake.files.workbook_reader import read_workbook


@dataclass(frozen=True, slots=True)
class CellPlace:
    """Where a stored value stands in its file, and what is written there."""

    line: int
    column: str
    address: str | None
    """As a spreadsheet names it, e.g. ``J7``; None in a text file."""
    text: str


@dataclass(frozen=True, slots=True)
class LaboratoryRow:
    """One sample as the file tells it.

    Attributes:
        line: line of the file, counted from 1; the sample's first one in the long layout.
        units: what is written in the columns that say which unit, by their header; empty ones left out.
        compartment: our name of the compartment, or None where the asset's only one is meant.
        taken_at: local time, naive; aware where the file writes the offset.
        readings: in the program's units, by quantity.
        laboratory_number, remark: as written, or None.
        source: code of who measured where the file says so, else None.
        cells: by quantity, the row and the header its reading was read from.
    """

    line: int
    units: Mapping[str, str]
    compartment: str | None
    taken_at: datetime
    readings: Mapping[str, Reading]
    laboratory_number: str | None
    remark: str | None
    source: str | None = None
    cells: Mapping[str, tuple[RawRow, str]] = field(default_factory=dict)

    def place(self, quantity: str) -> CellPlace:
        """Where a reading stands. Raises KeyError when the row has none of that quantity."""
        raw, header = self.cells[quantity]
        return CellPlace(raw.line, header, raw.address(header), raw.text(header))


def read_raw(content: bytes, profile: Profile) -> tuple[list[RawRow], list[Rejection]]:
    """The file's table by the profile's headers, whatever kind of file it is."""
    return (read_workbook if profile.file == "workbook" else read_csv)(content, profile)


def read_laboratory_file(
    content: bytes, profile: Profile, progress: Callable[[int, int], None] | None = None
) -> tuple[list[LaboratoryRow], list[Rejection]]:
    """The samples of a file, and everything in it that cannot be taken, each with line, column and text.

    When the second list is not empty, the file is not to be stored.

    Args:
        progress: called with (rows read, rows in all) now and then.
    """
    raw_rows, problems = read_raw(content, profile)
    reader = RowReader(profile, problems)
    read = []
    for number, raw in enumerate(raw_rows):
        row = reader.read(raw)
        if row is not None:
            read.append(row)
        if progress is not None and number % 1000 == 0:
            progress(number, len(raw_rows))
    if profile.layout == "long":
        return _gathered(read, problems), problems
    return [_sample([row]) for row in read], problems


def _gathered(rows: Sequence[ReadRow], problems: list[Rejection]) -> list[LaboratoryRow]:
    """One sample of the rows that agree on everything but the quantity, in the order of their first rows."""
    groups: dict[tuple[object, ...], list[ReadRow]] = {}
    for row in rows:
        key = (
            tuple(row.units.items()),
            row.compartment,
            row.taken_at,
            row.raw_texts["laboratory_number"],
            row.raw_texts["source"],
        )
        groups.setdefault(key, []).append(row)
    return [sample for group in groups.values() if (sample := _of_long_rows(group, problems)) is not None]


def _of_long_rows(group: list[ReadRow], problems: list[Rejection]) -> LaboratoryRow | None:
    before = len(problems)
    seen: dict[str, tuple[int, Reading]] = {}
    for row in group:
        for quantity, reading in row.readings.items():
            line, earlier = seen.setdefault(quantity, (row.raw.line, reading))
            if earlier != reading:
                header = row.headers[quantity]
                reason = f"line {line} already gives another {quantity} of this sample; remove one"
                problems.append(Rejection(quantity, reason, None, row.raw.line, header, row.raw.text(header)))
    if not seen and len(problems) == before:
        reason = "the rows of this sample give no reading; remove them or fill in what was measured"
        problems.append(Rejection("readings", reason, line=group[0].raw.line))
    return _sample(group) if len(problems) == before else None


def _sample(group: list[ReadRow]) -> LaboratoryRow:
    first = group[0]
    readings: dict[str, Reading] = {}
    cells: dict[str, tuple[RawRow, str]] = {}
    for row in group:
        for quantity, reading in row.readings.items():
            if quantity not in readings:
                readings[quantity] = reading
                cells[quantity] = (row.raw, row.headers[quantity])
    remarks = dict.fromkeys(text for row in group if (text := row.raw_texts["remark"]))
    return LaboratoryRow(
        first.raw.line,
        first.units,
        first.compartment,
        first.taken_at,
        readings,
        first.raw_texts["laboratory_number"] or None,
        "; ".join(remarks) or None,
        first.raw_texts["source"] or None,
        cells,
    )
