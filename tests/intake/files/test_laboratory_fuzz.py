"""Twenty thousand damaged files: each is read or refused in words, and no value is dropped or altered unseen.

The oracle of a text file reads it again with nothing but the csv module and its own small rules: every cell under a
header of the profile must be a reading that says the same, a word for "not measured", or part of a problem.
"""

import csv
import io
import random
import re
import unicodedata
import zipfile
from collections.abc import Iterator
from xml.etree import ElementTree

import pytest
from fleet_cast import PROJECT
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from app.intake.files.laboratory import LaboratoryRow, read_laboratory_file
from app.intake.files.profile import Profile, load_profile
from app.intake.units import conversion, unit_named

SAMPLES = PROJECT / "sample_data" / "laboratory"
GOOD = PROJECT / "tests" / "data" / "laboratory" / "good"
SEED = 20_261_125
"""Change it to search elsewhere; a failure names the mutation's number."""
FILES = {
    "quillfen": ((GOOD / "semicolon.csv").read_bytes(), 9_000),
    "marrowby": ((SAMPLES / "marrowby_february.csv").read_bytes(), 4_500),
    "osmunda": ((SAMPLES / "osmunda_export.txt").read_bytes(), 3_500),
    "hollowell": ((SAMPLES / "hollowell_26-118.csv").read_bytes(), 4_000),
    "tessarine": ((SAMPLES / "tessarine_order_4471.xlsx").read_bytes(), 1_200),
}
LIKELY = [b";", b",", b"\t", b"|", b'"', b"\n", b"\r", b"<", b">", b"-", b".", b"0", b"9", b"e", b"\0", b"\xa0", b"ND",
          b"\xef\xbb\xbf", b"\xff\xfe", b"\xb5", b"\xce\xbc", b"=", b"%", b"nan", b"1e400", b" "]  # fmt: skip


def damaged(content: bytes, rng: random.Random, begin: int = 0) -> bytes:
    """The file with one to four bytes after ``begin`` flipped, cut, doubled, swapped or put in."""
    data = bytearray(content)
    for _ in range(rng.randint(1, 4)):
        place = rng.randrange(min(begin, len(data) - 1), len(data)) if data else 0
        kind = rng.randrange(6)
        if kind == 0 and data:
            data[place] = rng.randrange(256)
        elif kind == 1 and data:
            data[place] ^= 1 << rng.randrange(8)
        elif kind == 2:
            data[place:place] = rng.choice(LIKELY)
        elif kind == 3:
            del data[place : place + rng.randint(1, 12)]
        elif kind == 4:
            data[place:place] = data[place : place + rng.randint(1, 30)]
        else:
            other = rng.randrange(len(data)) if data else 0
            data[place : place + 1], data[other : other + 1] = (
                data[other : other + 1],
                data[place : place + 1],
            )
    return bytes(data)


def mutations(content: bytes, name: str, count: int) -> Iterator[tuple[int, bytes]]:
    """Every second file is damaged below its header only, every second workbook within one of its parts."""
    for number in range(count):
        rng = random.Random(f"{SEED}/{name}/{number}")
        if number % 2 == 0:
            yield number, damaged(content, rng)
        elif name == "tessarine":
            yield number, damaged_inside(content, rng)
        else:
            yield number, damaged(content, rng, len(content) * 2 // 5)


def damaged_inside(content: bytes, rng: random.Random) -> bytes:
    """A workbook whose archive is sound and one of whose parts is not."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        parts = {info.filename: archive.read(info) for info in archive.infolist()}
    sheets = [
        name for name in parts if "worksheets" in name or name.endswith(("sharedStrings.xml", "styles.xml"))
    ]
    chosen = rng.choice(sheets)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in parts.items():
            archive.writestr(name, damaged(data, rng) if name == chosen else data)
    return out.getvalue()


def test_at_least_twenty_thousand_files_are_tried() -> None:
    assert sum(count for _, count in FILES.values()) >= 20_000


@pytest.mark.fuzz
@pytest.mark.parametrize("name", FILES)
def test_a_damaged_file_is_read_whole_or_refused_in_words(name: str) -> None:
    profile = load_profile(name)
    content, count = FILES[name]
    whole = 0
    for number, data in mutations(content, name, count):
        rows, problems = read_laboratory_file(data, profile)
        assert rows or problems, number
        assert all(problem.reason for problem in problems), number
        if problems:
            continue
        whole += 1
        for row in rows:
            assert set(row.cells) == set(row.readings), number
            for quantity in row.readings:
                assert row.place(quantity).line >= 1, number
        if profile.file == "text":
            nothing_is_lost(data, profile, rows, number)
        else:
            nothing_is_altered(data, profile, rows, number)
    # the damage must leave enough files readable for the search to mean anything
    assert whole > count / 50


def nothing_is_lost(data: bytes, profile: Profile, rows: list[LaboratoryRow], number: int) -> None:
    """Every cell under a reading's header is a reading of the same size, or says "not measured"."""
    found = {(p.line, p.column): (row, q) for row in rows for q in row.readings for p in [row.place(q)]}
    used = set()
    for line, header, text, quantity, unit in written_cells(data, profile):
        if norm(text) in {norm(word) for word in ("", *profile.not_measured)}:
            continue
        assert (line, header) in found, (number, line, header, text)
        used.add((line, header))
        row, q = found[line, header]
        assert q == quantity, (number, line, header)
        expected = number_in(text, profile)
        reading = row.readings[q]
        if expected is None:  # a word for "not detected"
            assert reading.below is not None, (number, text)
            continue
        factor = conversion(quantity, unit, profile.gas_volume_temperature)
        assert reading.number == pytest.approx(factor.own(expected), rel=1e-12, abs=1e-12), (number, text)
    assert used == set(found), number


def nothing_is_altered(data: bytes, profile: Profile, rows: list[LaboratoryRow], number: int) -> None:
    """Every number in the sheet's XML under a reading's header is a reading of the same size."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        sheet = ElementTree.fromstring(archive.read("xl/worksheets/sheet2.xml"))
    columns = {column.quantity: column for column in profile.readings}
    found = {row.place(q).address: (row, q) for row in rows for q in row.readings}
    for cell in sheet.iter("{http://schemas.openxmlformats.org/spreadsheetml/2006/main}c"):
        at = cell.get("r", "")
        value = cell.findtext("{http://schemas.openxmlformats.org/spreadsheetml/2006/main}v")
        if not re.fullmatch(r"[F-P]([6-9]|\d\d+)", at) or cell.get("t", "n") != "n" or not value:
            continue
        assert at in found, (number, at, value)
        row, quantity = found[at]
        if float(value) == 0 and columns[quantity].detection_limit is not None:
            assert row.readings[quantity].below is not None, (number, at)
            continue
        shown = float(value) * (100.0 if row.place(quantity).text.endswith("%") else 1.0)
        factor = conversion(quantity, columns[quantity].unit, profile.gas_volume_temperature)
        assert row.readings[quantity].value == pytest.approx(factor.own(shown), rel=1e-12), (number, at)


def norm(text: str) -> str:
    return " ".join(text.split()).casefold()


def text_of(data: bytes, profile: Profile) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16")
    if profile.encoding == "utf-16-le" and b"\0" in data:
        return data.decode("utf-16-le")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode(profile.encoding)


def written_cells(data: bytes, profile: Profile) -> Iterator[tuple[int, str, str, str, str]]:
    """(line, header, text, quantity, unit) of every cell that should hold a reading."""
    text = text_of(data, profile)
    required = {plain(h) for h in profile.required_columns}
    for mark in profile.delimiters:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark)
        lines = []
        begin = 1
        for cells in reader:
            lines.append((begin, cells))
            begin = reader.line_num + 1
        filled = [(n, c) for n, c in lines if any(cell.strip() for cell in c)]
        heads = [
            i
            for i, (_, c) in enumerate(filled[: profile.header_within_rows])
            if required <= {plain(x) for x in c}
        ]
        if heads:
            break
    header = [plain(cell) for cell in filled[heads[0]][1]]
    for line, cells in filled[heads[0] + 1 :]:
        at = dict(zip(header, cells, strict=False))
        if profile.long is None:
            for column in profile.readings:
                yield line, column.column, at.get(plain(column.column), ""), column.quantity, column.unit
            continue
        word = plain(at[plain(profile.long.quantity)])
        by_word = {plain(c.column): c for c in profile.readings}
        if word in by_word:
            column = by_word[word]
            written = at[plain(profile.long.unit or "")].strip()
            unit = unit_named(column.quantity, written) if written else column.unit
            sign, value = at[plain(profile.long.sign or "")].strip(), at[plain(profile.long.value)]
            yield (
                line,
                profile.long.value,
                sign + value.strip() if value.strip() else "",
                column.quantity,
                unit or "",
            )


def plain(text: str) -> str:
    """A header in which the two letters mu, and any spaces, are alike."""
    return " ".join(unicodedata.normalize("NFKC", text).casefold().split())


def number_in(text: str, profile: Profile) -> float | None:
    """The number a cell says, by a reading of its own: None for words."""
    bare = text.strip().lstrip("<＜").strip()
    if profile.thousands_mark:
        bare = re.sub(r"[\u00a0\u202f]", " ", bare).replace(profile.thousands_mark, "")
    bare = bare.replace(",", ".") if profile.decimal_mark == "," else bare
    bare = bare.removesuffix("%")
    return float(bare) if re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", bare, re.IGNORECASE) else None


@pytest.mark.fuzz
@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(name=st.sampled_from(sorted(FILES)), content=st.binary(max_size=300))
def test_any_bytes_are_rows_or_problems(name: str, content: bytes) -> None:
    rows, problems = read_laboratory_file(content, load_profile(name))
    assert rows or problems


CELL = st.text(
    st.characters(codec="utf-8", exclude_characters="\r\n\"';,\t|\0", exclude_categories=["Cs"]), max_size=8
)


@pytest.mark.fuzz
@settings(max_examples=300, deadline=None)
@given(st.lists(CELL, min_size=11, max_size=11))
def test_whatever_stands_in_the_cells_is_a_reading_a_word_or_a_problem(written: list[str]) -> None:
    profile = load_profile("quillfen")
    head, first, *_ = (GOOD / "semicolon.csv").read_text(encoding="utf-8").split("\n")
    headers = [cell.strip() for cell in head.split(";")]
    columns = [c.column for c in profile.readings if c.column in headers]
    cells = dict(zip(headers, first.split(";"), strict=True))
    cells.update(zip(columns, written, strict=False))
    content = "\n".join([head, ";".join(cells.values()), ""]).encode()
    rows, problems = read_laboratory_file(content, profile)
    told = {problem.column for problem in problems}
    for column, text in zip(columns, written, strict=False):
        if column in told or norm(text) in {"", *(norm(word) for word in profile.not_measured)}:
            continue
        assert rows or problems
        for row in rows:
            quantity = next(c.quantity for c in profile.readings if c.column == column)
            assert row.place(quantity).text == text.strip()
