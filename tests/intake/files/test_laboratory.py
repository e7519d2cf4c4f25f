"""Numbers, units, local times, profiles and raw CSV of laboratories."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from app.intake.files.csv_reader import read_csv
from app.intake.files.laboratory import LaboratoryRow, read_laboratory_file
from app.intake.files.profile import FOLDER, ProfileError, load_profile, profile_names
from app.intake.local_time import to_utc
from app.intake.numbers import NotANumberError, NumberStyle, parse_number, shown
from app.intake.units import UNITS, conversion, unit_named
from app.intake.validate import ImpossibleError
from app.science.quantities import BY_NAME

COMMA, POINT = NumberStyle(","), NumberStyle(".")
COMMA_AND_POINT, POINT_AND_COMMA = NumberStyle(",", "."), NumberStyle(".", ",")
QUILLFEN = load_profile("quillfen")


def local(text: str) -> datetime:
    return datetime.fromisoformat(text)


GOOD = Path(__file__).parents[2] / "data" / "laboratory" / "good"


@pytest.mark.parametrize(
    ("text", "style", "number"),
    [
        ("12,5", COMMA, 12.5),
        (" 12 ", COMMA, 12.0),
        (",5", COMMA, 0.5),
        ("12.5", POINT, 12.5),
        ("1e3", POINT, 1000.0),
        ("-0", POINT, 0.0),
        ("18.000", COMMA_AND_POINT, 18000.0),
        ("1.234.567,8", COMMA_AND_POINT, 1234567.8),
        ("18,000.5", POINT_AND_COMMA, 18000.5),
        ("1 234,5", NumberStyle(",", " "), 1234.5),
        ("999", COMMA_AND_POINT, 999.0),
    ],
)
def test_a_number_in_the_declared_style(text: str, style: NumberStyle, number: float) -> None:
    assert parse_number(text, style) == number


@pytest.mark.parametrize(
    ("text", "style", "says"),
    [
        ("18.000", COMMA, "decimal mark is ',' but this number has a point"),
        ("1,5", POINT, "decimal mark is '.' but this number has a comma"),
        ("1.5", COMMA_AND_POINT, "does not stand before groups of three digits"),
        ("18.00,5", COMMA_AND_POINT, "does not stand before groups of three digits"),
        ("1,2,3", COMMA, "not a number"),
        ("12 ppm", POINT, "not a number; write it like 1234.5"),
        ("", POINT, "not a number"),
        ("0x10", POINT, "not a number"),
        ("1_000", POINT, "not a number"),
        ("nan", POINT, "not a number"),
        ("inf", POINT, "not a number"),
        ("1e999", POINT, "too large"),
        ("٣", POINT, "not a number"),
        ("--1", POINT, "not a number"),
    ],
)
def test_what_is_no_number_in_that_style(text: str, style: NumberStyle, says: str) -> None:
    with pytest.raises(NotANumberError, match=says.replace(".", r"\.")):
        parse_number(text, style)


@given(st.floats(-1e12, 1e12).map(lambda x: round(x, 4)))
def test_numbers_survive_every_style(number: float) -> None:
    plain = f"{number:.4f}"
    assert parse_number(plain, POINT) == number
    assert parse_number(plain.replace(".", ","), COMMA) == number
    swapped = f"{number:,.4f}".translate(str.maketrans(",.", ".,"))
    assert parse_number(swapped, COMMA_AND_POINT) == number


def test_foreign_text_is_shown_short_and_without_control_characters() -> None:
    assert shown("a\0b\ud800") == "'a\\x00b\\ud800'"
    assert len(shown("x" * 1000)) == 60


@pytest.mark.parametrize(
    ("quantity", "unit", "foreign", "own"),
    [
        ("h2", "ppm", 12.0, 12.0),
        ("o2", "%", 2.1, 21_000.0),
        ("oil_temperature", "°F", 122.0, 50.0),
        ("oil_temperature", "K", 323.15, 50.0),
        ("water", "ppm", 9.0, 9.0),
        ("furfural", "µg/kg", 250.0, 0.25),
        ("load", "%", 80.0, 0.8),
        ("dissipation_factor", "%", 0.5, 0.005),
        ("relative_saturation", "fraction", 0.12, 12.0),
    ],
)
def test_units_become_the_programs_own(quantity: str, unit: str, foreign: float, own: float) -> None:
    assert conversion(quantity, unit, 0).own(foreign) == pytest.approx(own, rel=1e-12)


def test_a_gas_volume_at_20_degrees_is_seven_percent_more_than_at_0() -> None:
    """Ideal gas law; 7 % is what handbooks say of IEC 60567 (20 °C) against ASTM D3612 (0 °C)."""
    assert conversion("h2", "ppm", 20).own(107.32) == pytest.approx(100.0, abs=0.01)
    assert conversion("h2", "ppm", 0).own(100.0) == 100.0
    assert conversion("water", "mg/kg", 20).own(10.0) == 10.0


def test_the_programs_own_unit_is_among_those_that_a_file_may_declare() -> None:
    for name, units in UNITS.items():
        assert units[BY_NAME[name].unit].own(7.0) == 7.0


@pytest.mark.parametrize(
    ("written", "zone", "utc"),
    [
        (local("2025-01-15 12:00"), "CET", datetime(2025, 1, 15, 11, tzinfo=UTC)),
        (local("2025-07-15 12:00"), "CET", datetime(2025, 7, 15, 10, tzinfo=UTC)),
        (local("2025-10-26 03:00"), "CET", datetime(2025, 10, 26, 2, tzinfo=UTC)),
        (local("2025-10-26 01:59"), "CET", datetime(2025, 10, 25, 23, 59, tzinfo=UTC)),
        (local("2025-10-26 02:30"), "UTC", datetime(2025, 10, 26, 2, 30, tzinfo=UTC)),
    ],
)
def test_local_times(written: datetime, zone: str, utc: datetime) -> None:
    """Summer time in CET ends at 01:00 UTC on the last Sunday of October (Directive 2000/84/EC)."""
    assert to_utc(written, zone, "refuse") == utc


def test_the_hour_that_comes_twice_is_refused_or_decided_by_name() -> None:
    written = local("2025-10-26 02:30")
    with pytest.raises(ImpossibleError, match="came twice, at 00:30 and 01:30 UTC"):
        to_utc(written, "CET", "refuse")
    assert to_utc(written, "CET", "first") == datetime(2025, 10, 26, 0, 30, tzinfo=UTC)
    assert to_utc(written, "CET", "second") == datetime(2025, 10, 26, 1, 30, tzinfo=UTC)


def test_the_hour_that_never_was_is_refused_always() -> None:
    for decision in ("refuse", "first", "second"):
        with pytest.raises(ImpossibleError, match="never was"):
            to_utc(local("2025-03-30 02:30"), "CET", decision)


# --- profiles -----------------------------------------------------------------------------------------------


def test_every_profile_that_is_shipped_can_be_used() -> None:
    assert "quillfen" in profile_names()
    for name in profile_names():
        assert load_profile(name).name == name


def changed(tmp_path: Path, **keys: object) -> Path:
    """A folder with quillfen, some of its keys changed (``a__b`` for b in a)."""
    found: dict[str, Any] = yaml.safe_load((FOLDER / "quillfen.yaml").read_text(encoding="utf-8"))
    for name, value in keys.items():
        *outer, last = name.split("__")
        node = found
        for part in outer:
            node = node[part]
        node[last] = value
    folder = tmp_path / f"profiles {len(list(tmp_path.iterdir()))}"  # profiles are read once a folder
    folder.mkdir()
    (folder / "quillfen.yaml").write_text(yaml.safe_dump(found), encoding="utf-8")
    return folder


COLUMN = {"column": "Hydrogen (ppm)", "quantity": "h2", "unit": "ppm"}


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ({"name": "other"}, "name is 'other' but the file is called 'quillfen'"),
        ({"colour": "blue"}, "colour: Extra inputs are not permitted"),
        ({"decimal_mark": ";"}, "decimal_mark"),
        ({"thousands_mark": ","}, "decimal_mark and thousands_mark are the same"),
        ({"gas_volume_temperature": 15}, "gas_volume_temperature"),
        ({"encoding": "ebcdic"}, "encoding"),
        ({"time__zone": "Middle/Earth"}, "time.zone: Value error, 'Middle/Earth' is neither 'site'"),
        ({"time__formats": ["%d.%m.%y"]}, "the year with its century, %Y"),
        ({"time__assumed_time": "25:00"}, "time.assumed_time"),
        ({"readings": [{**COLUMN, "quantity": "he"}]}, "'he' is not a quantity; known are h2"),
        ({"readings": [{**COLUMN, "unit": "furlong"}]}, "h2 does not come in 'furlong'; known are µL/L"),
        ({"readings": [{**COLUMN, "detection_limit": 0}]}, "readings.0.detection_limit"),
        ({"readings": [{**COLUMN, "detection_limit": True}]}, "readings.0.detection_limit"),
        ({"readings": [COLUMN, COLUMN]}, "the column 'hydrogen (ppm)' stands twice"),
        ({"readings": [COLUMN, {**COLUMN, "column": "H2"}]}, "the quantity 'h2' stands twice"),
        ({"readings": []}, "readings"),
        ({"unit": []}, "unit"),
    ],
)
def test_a_profile_is_read_strictly(tmp_path: Path, keys: dict[str, object], says: str) -> None:
    with pytest.raises(ProfileError) as caught:
        load_profile("quillfen", changed(tmp_path, **keys))
    assert says in str(caught.value)


def test_an_unknown_profile_is_named_with_those_that_are_known() -> None:
    with pytest.raises(ProfileError, match=r"no laboratory profile '\.\./quillfen'; known are .*quillfen"):
        load_profile("../quillfen")


# --- reading by another profile -------------------------------------------------------------------------------


def read(tmp_path: Path, text: str, **keys: object) -> tuple[list[LaboratoryRow], list[str]]:
    few = {
        "readings": [{**COLUMN, "detection_limit": 3}],
        "laboratory_number": None,
        "remark": None,
        "unit": [{"column": "Plant no.", "by": "code"}],
        "ignored": [],
        "compartment": {"default": "main"},
    }
    profile = load_profile("quillfen", changed(tmp_path, **{**few, **keys}))
    rows, problems = read_laboratory_file(text.encode(), profile)
    return rows, [p.reason for p in problems]


HEADER = "Plant no.;Drawn on;Drawn at;Hydrogen (ppm)\n"


def test_codes_stay_as_they_are_written(tmp_path: Path) -> None:
    rows, problems = read(
        tmp_path, HEADER + "NA;03.03.2025;10:15;1\n007;03.03.2025;10:15;1\n1e3;03.03.2025;10:15;1\n"
    )
    assert problems == []
    assert [row.units["Plant no."] for row in rows] == ["NA", "007", "1e3"]


def test_an_assumed_time_stands_in_only_where_it_is_declared(tmp_path: Path) -> None:
    text = HEADER + "A;03.03.2025;;1\n"
    assert "write the time of day" in read(tmp_path, text)[1][0]
    ((row,), problems) = read(tmp_path, text, time__assumed_time="12:00")
    assert (row.taken_at, problems) == (local("2025-03-03 12:00"), [])


def test_a_preamble_is_passed_over_where_it_is_declared(tmp_path: Path) -> None:
    text = "Report of 4 March\n\nTelephone;none\n" + HEADER + "A;03.03.2025;10:15;1\n"
    assert "no header row" in read(tmp_path, text)[1][0]
    ((row,), problems) = read(tmp_path, text, header_within_rows=5)
    assert (row.line, problems) == (5, [])


def test_volumes_at_20_degrees_are_brought_to_0_limits_too(tmp_path: Path) -> None:
    text = HEADER + "A;03.03.2025;10:15;107,32\nB;03.03.2025;10:15;ND\nC;03.03.2025;10:15;<10,732\n"
    rows, problems = read(tmp_path, text, gas_volume_temperature=20)
    assert problems == []
    value, unseen, limit = (row.readings["h2"] for row in rows)
    assert value.value == pytest.approx(100.0, abs=0.01)
    assert unseen.below == pytest.approx(3 * 273.15 / 293.15)
    assert limit.below == pytest.approx(10.0, abs=0.001)


def test_lines_are_counted_as_an_editor_does_across_quoted_breaks(tmp_path: Path) -> None:
    head = "Plant no.;Drawn on;Drawn at;Hydrogen (ppm);Remark\n"
    text = head + 'A;03.03.2025;10:15;1;"two\nlines"\n\nB;03.03.2025;10:15;x;\n'
    profile = load_profile("quillfen", changed(tmp_path, readings=[COLUMN], laboratory_number=None, ignored=[],
                           unit=[{"column": "Plant no.", "by": "code"}], compartment={"default": "main"}))  # fmt: skip
    rows, problems = read_laboratory_file(text.encode(), profile)
    assert [(row.line, row.remark) for row in rows] == [(2, "two\nlines")]
    assert [(p.line, p.column, p.text) for p in problems] == [(5, "Hydrogen (ppm)", "x")]


def test_headers_match_in_any_case_and_spacing_and_either_mu(tmp_path: Path) -> None:
    text = "PLANT  no.;drawn on;Drawn At;H₂ (μL/L)\nA;03.03.2025;10:15;1\n"
    rows, problems = read(tmp_path, text, readings=[{**COLUMN, "column": "H2 (µL/L)"}])
    assert (len(rows), problems) == (1, [])


# --- fuzz -----------------------------------------------------------------------------------------------------


@pytest.mark.fuzz
@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=200))
def test_arbitrary_bytes_are_rows_or_problems(content: bytes) -> None:
    rows, problems = read_csv(content, QUILLFEN)
    assert rows or problems


@pytest.mark.fuzz
@settings(max_examples=300, deadline=None)
@given(st.integers(0, 10**6), st.binary(min_size=1, max_size=4), st.integers(0, 6))
def test_a_damaged_file_is_rows_or_problems(place: int, damage: bytes, cut: int) -> None:
    content = bytearray((GOOD / "semicolon.csv").read_bytes())
    place %= len(content)
    content[place : place + cut] = damage
    rows, problems = read_laboratory_file(bytes(content), QUILLFEN)
    assert rows or problems
    assert all(problem.reason for problem in problems)


# --- traps that files have set before -------------------------------------------------------------------------

NARROW, WIDE_BLANK, MICRO, MU = "\u202f", "\u00a0", "\u00b5", "\u03bc"


@pytest.mark.parametrize(
    ("text", "keys", "number"),
    [
        (f"{WIDE_BLANK}12,5{WIDE_BLANK}", {}, 12.5),
        (f"1{WIDE_BLANK}234,5", {"thousands_mark": " "}, 1234.5),
        (f"1{NARROW}234", {"thousands_mark": " "}, 1234.0),
        ("1.234,5", {"thousands_mark": "."}, 1234.5),
        ("1234,5", {"thousands_mark": "."}, 1234.5),
    ],
)
def test_blanks_that_do_not_break_and_declared_thousands_are_read(
    tmp_path: Path, text: str, keys: dict[str, object], number: float
) -> None:
    rows, problems = read(tmp_path, f"{HEADER}A;03.03.2025;10:15;{text}\n", **keys)
    assert (problems, rows[0].readings["h2"].value) == ([], number)


@pytest.mark.parametrize("text", [f"1{WIDE_BLANK}234", "1.234", "1'234", f"1{NARROW}234,5"])
def test_thousands_marks_that_are_not_declared_are_refused(tmp_path: Path, text: str) -> None:
    rows, (problem,) = read(tmp_path, f"{HEADER}A;03.03.2025;10:15;{text}\n")
    assert rows == []
    assert "not a number" in problem or "has a point" in problem


@pytest.mark.parametrize(("written", "declared"), [(MICRO, MU), (MU, MICRO), (MICRO, MICRO), (MU, MU)])
def test_the_micro_sign_and_the_greek_letter_are_one(tmp_path: Path, written: str, declared: str) -> None:
    head = HEADER.replace("Hydrogen (ppm)", f"Hydrogen ({written}L/L)")
    column = {**COLUMN, "column": f"Hydrogen ({declared}L/L)"}
    rows, problems = read(tmp_path, f"{head}A;03.03.2025;10:15;7\n", readings=[column])
    assert (problems, rows[0].readings["h2"].value) == ([], 7.0)
    assert unit_named("h2", f"{written}L/L") == "µL/L"


def test_a_tag_that_looks_like_a_missing_value_is_a_tag(tmp_path: Path) -> None:
    text = HEADER + "NA;03.03.2025;10:15;7\nNA;04.03.2025;10:15;NA\n"
    rows, problems = read(tmp_path, text, not_measured=["NA"])
    assert [row.units["Plant no."] for row in rows] == ["NA"]
    assert problems == ["the row gives no reading; remove it or fill in what was measured"]


@pytest.mark.parametrize("mark", ["\ufeff", ""])
def test_a_byte_order_mark_and_empty_columns_at_the_end_do_no_harm(tmp_path: Path, mark: str) -> None:
    text = mark + HEADER.replace("\n", ";;;\n") + "A;03.03.2025;10:15;7;;;\nB;03.03.2025;10:15;8; ;\n"
    rows, problems = read(tmp_path, text)
    assert problems == []
    assert [row.readings["h2"].value for row in rows] == [7.0, 8.0]


def test_a_value_under_no_header_is_never_left_out_unseen(tmp_path: Path) -> None:
    text = HEADER.replace("\n", ";;\n") + "A;03.03.2025;10:15;7;;9\n"
    assert read(tmp_path, text) == ([], ["the row has 6 cells where the header has 4"])


def test_zero_is_a_number_unless_it_is_declared_to_mean_below_the_limit(tmp_path: Path) -> None:
    text = HEADER + "A;03.03.2025;10:15;0\nB;03.03.2025;10:15;0,0\n"
    (zero, _), problems = read(tmp_path, text)
    assert (problems, zero.readings["h2"].value) == ([], 0.0)
    below, problems = read(tmp_path, text, zero="below_limit")
    assert (problems, [row.readings["h2"].below for row in below]) == ([], [3.0, 3.0])


def test_a_quantity_without_a_limit_may_be_zero(tmp_path: Path) -> None:
    (row,), _ = read(tmp_path, HEADER + "A;03.03.2025;10:15;0\n", zero="below_limit", readings=[COLUMN])
    assert row.readings["h2"].value == 0.0
