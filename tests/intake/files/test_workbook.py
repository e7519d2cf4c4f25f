"""Workbooks: cells as what they are, and archives that would hurt refused before anything parses them."""

import io
import re
import struct
import time
import zipfile
from collections.abc import Callable
from datetime import date, datetime
from datetime import time as time_of_day
from typing import Any

import openpyxl
import pytest
from openpyxl.worksheet.worksheet import Worksheet

from app.intake.files import workbook_check, workbook_reader
from app.intake.files.grid import Cell, column_letters
from app.intake.files.laboratory import read_laboratory_file
from app.intake.files.profile import load_profile
from app.intake.files.workbook_reader import sheet_lines
from app.intake.text import UnreadableFileError

SHEET = "xl/worksheets/sheet1.xml"
MOMENT = datetime.fromisoformat("2026-02-03 10:15:30")


def workbook(fill: Callable[[Worksheet], None]) -> bytes:
    book = openpyxl.Workbook()
    sheet = book.active
    assert isinstance(sheet, Worksheet)
    fill(sheet)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def parts_of(content: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return {info.filename: archive.read(info) for info in archive.infolist()}


def archive_of(parts: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return out.getvalue()


def with_sheet(xml: str) -> bytes:
    """A workbook whose one sheet is this XML between its rows."""
    parts = parts_of(workbook(lambda _: None))
    text = parts[SHEET].decode()
    rows = re.sub(r"<sheetData ?/>|<sheetData>.*</sheetData>", f"<sheetData>{xml}</sheetData>", text)
    return archive_of({**parts, SHEET: rows.encode()})


def cells(content: bytes, **options: Any) -> list[list[Cell]]:
    return [list(line.cells) for line in sheet_lines(content, None, **options)]


def refusal(content: bytes) -> str:
    with pytest.raises(UnreadableFileError) as caught:
        list(sheet_lines(content, None))
    return str(caught.value)


def test_cells_are_texts_numbers_days_moments_and_times_of_day() -> None:
    row = (
        "007",
        7,
        7.25,
        date(2026, 2, 3),
        MOMENT,
        time_of_day(10, 15),
        True,
        "NA",
    )

    def fill(sheet: Worksheet) -> None:
        sheet.append(row)

    (found,) = cells(workbook(fill))
    assert found == ["007", 7.0, 7.25, date(2026, 2, 3), MOMENT, time_of_day(10, 15),
                     "TRUE", "NA"]  # fmt: skip
    assert type(found[3]) is date


def test_a_percentage_is_what_is_seen_in_the_files_own_decimal_mark() -> None:
    def fill(sheet: Worksheet) -> None:
        sheet["A1"] = 0.021
        sheet["A1"].number_format = "0.0%"
        sheet["B1"] = 0.29
        sheet["B1"].number_format = "0%"

    assert cells(workbook(fill)) == [["2.100%", "29.00%"]]
    assert cells(workbook(fill), decimal_mark=",") == [["2,100%", "29,00%"]]


def test_hidden_rows_and_columns_are_part_of_the_file() -> None:
    def fill(sheet: Worksheet) -> None:
        sheet.append(["a", "b"])
        sheet.append([1, 2])
        sheet.row_dimensions[1].hidden = True
        sheet.column_dimensions["B"].hidden = True

    assert cells(workbook(fill)) == [["a", "b"], [1.0, 2.0]]


def test_lines_are_the_rows_of_the_spreadsheet_and_columns_its_letters() -> None:
    def fill(sheet: Worksheet) -> None:
        sheet["B3"] = "x"
        sheet["C9"] = "y"

    assert [(line.line, list(line.cells)) for line in sheet_lines(workbook(fill), None)] == [
        (3, ["", "x"]),
        (9, ["", "", "y"]),
    ]
    assert [column_letters(i) for i in (0, 25, 26, 701, 702)] == ["A", "Z", "AA", "ZZ", "AAA"]


def test_the_first_visible_sheet_is_read_and_a_named_one_must_be_there() -> None:
    book = openpyxl.Workbook()
    book.active.title = "Hidden"  # type: ignore[union-attr]
    book.create_sheet("Results").append(["x"])
    book["Hidden"].sheet_state = "hidden"
    out = io.BytesIO()
    book.save(out)
    assert cells(out.getvalue()) == [["x"]]
    with pytest.raises(UnreadableFileError, match="no sheet 'Other'; it has 'Hidden', 'Results'"):
        list(sheet_lines(out.getvalue(), "Other"))


def test_what_a_sheet_says_of_its_size_is_not_believed() -> None:
    def fill(sheet: Worksheet) -> None:
        for i in range(5):
            sheet.append([i, i])

    parts = parts_of(workbook(fill))
    parts[SHEET] = re.sub(rb'<dimension ref="[^"]*"', b'<dimension ref="A1:A2"', parts[SHEET])
    assert len(cells(archive_of(parts))) == 5


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        (
            '<row r="2"><c r="A2"><v>1</v></c></row><row r="1"><c r="A1"><v>2</v></c></row>',
            "row stands twice",
        ),
        ('<row r="1"><c r="A1"><v>1</v></c><c r="A1"><v>2</v></c></row>', "cell stands twice"),
        (
            '<row r="1"><c r="B1"><v>1</v></c><c r="A1"><v>2</v></c></row>',
            "cell stands twice or out of order",
        ),
        ('<row r="1"><c r="A7"><v>1</v></c></row>', "cell A7 stands in row 1"),
        ('<row r="1"><c r="A1" t="s"><v>99</v></c></row>', "is damaged"),
        ('<row r="one"><c><v>1</v></c></row>', "cut off or damaged"),
        ('<row r="1"><c r="A1"><v>1</v>', "cut off or damaged"),
    ],
)
def test_a_sheet_in_which_one_cell_would_hide_another_is_refused(rows: str, says: str) -> None:
    assert says in refusal(with_sheet(rows))


# --- archives that would hurt --------------------------------------------------------------------------------


def quickly(work: Callable[[], str]) -> str:
    begun = time.monotonic()
    said = work()
    assert time.monotonic() - begun < 10
    return said


def bomb(megabytes: int) -> bytes:
    """A workbook with a part of blanks, a thousandth of its size when packed."""
    return archive_of({**parts_of(workbook(lambda _: None)), "xl/media/a.xml": b" " * (megabytes * 1024**2)})


def test_a_bomb_that_says_how_large_it_is_is_refused_by_its_word() -> None:
    content = bomb(201)
    assert len(content) < 1024**2
    assert quickly(lambda: refusal(content)) == (
        "the workbook is larger than 200 MiB once unpacked, which is the limit; split it, or save it as CSV"
    )


def test_a_bomb_that_lies_about_its_size_is_refused_by_what_comes_out() -> None:
    content = bytearray(bomb(201))
    size = struct.pack("<I", 201 * 1024**2)
    assert content.count(size) >= 2
    lying = bytes(content).replace(size, struct.pack("<I", 1000))
    assert quickly(lambda: refusal(lying)).startswith("the workbook is larger than 200 MiB once unpacked")


def test_two_cells_at_the_ends_of_a_sheet_cost_nothing() -> None:
    corners = '<row r="1"><c r="A1"><v>1</v></c></row><row r="1048576"><c r="XFD1048576"><v>2</v></c></row>'
    lines = list(sheet_lines(with_sheet(corners), None))
    assert [(line.line, len(line.cells)) for line in lines] == [(1, 1), (1048576, 16384)]


def test_a_sheet_beyond_the_format_is_refused_with_the_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    beyond = '<row r="99999999999"><c r="A99999999999"><v>1</v></c></row>'
    assert "beyond 1048576 rows or 10000000 cells" in quickly(lambda: refusal(with_sheet(beyond)))
    monkeypatch.setattr(workbook_reader, "MOST_CELLS", 30_000)
    wide = "".join(f'<row r="{i}"><c r="XFD{i}"><v>1</v></c></row>' for i in (1, 2))
    assert "which is the limit" in refusal(with_sheet(wide))


def test_too_many_parts_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbook_check, "MOST_PARTS", 20)
    parts = {**parts_of(workbook(lambda _: None)), **{f"p{i}.xml": b"" for i in range(20)}}
    assert re.search(r"has \d+ parts; at most 20 are taken", refusal(archive_of(parts)))


def test_entities_that_grow_are_refused() -> None:
    """The "billion laughs" of XML."""
    laughs = "".join(f'<!ENTITY l{i} "{f"&l{i - 1};" * 10}">' for i in range(1, 10))
    dtd = f'<!DOCTYPE worksheet [<!ENTITY l0 "ha">{laughs}]>'
    parts = parts_of(with_sheet('<row r="1"><c r="A1" t="inlineStr"><is><t>&l9;</t></is></c></row>'))
    parts[SHEET] = dtd.encode() + parts[SHEET].partition(b"?>")[2].lstrip() if b"?>" in parts[SHEET] else (
        dtd.encode() + parts[SHEET]
    )  # fmt: skip
    assert "damaged" in quickly(lambda: refusal(archive_of(parts)))


def test_a_password_inside_the_archive_is_told() -> None:
    content = bytearray(workbook(lambda _: None))
    place = content.index(b"PK\x01\x02")
    content[place + 8] |= 1
    assert refusal(bytes(content)) == "the workbook is protected by a password; save it without one"


def test_an_archive_that_is_no_workbook_is_told() -> None:
    assert "damaged" in refusal(archive_of({"a.txt": b"hello"}))


def test_a_workbook_goes_to_a_profile_of_workbooks_only() -> None:
    content = workbook(lambda _: None)
    _, (problem,) = read_laboratory_file(content, load_profile("quillfen"))
    assert problem.reason == "this is a spreadsheet workbook, not CSV; save it as CSV and send that"
