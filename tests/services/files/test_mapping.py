"""Mapping by hand: what is proposed of unknown files, what decisions make of them, and what is kept."""

import io
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from fleet_cast import NOW

from app.domain.model import Reading
from app.intake.files.profile import load_profile
from app.intake.text import UnreadableFileError
from app.services.files.import_file import import_file, preview
from app.services.files.map_columns import (
    Column,
    Decisions,
    MappingError,
    NewProfile,
    compartment_names,
    mappable_laboratories,
    profile_of,
    read_rows,
    save_profile,
)
from app.services.files.mapping_grid import Structure
from app.services.files.mapping_guess import Guess, guess
from app.services.recording.record_samples import BatchTerms
from app.store.database import Database
from app.store.files import laboratory_profiles

SAMPLES = Path(__file__).parents[3] / "sample_data" / "laboratory"
SPANISH = """Laboratorio Ferrán;;;;;;;
Informe 2026-11;;;;;;;
Nº de muestra;Número de serie;Fecha de muestreo;Hora;Hidrógeno (ppm);Acetileno (ppm);Contenido de agua (mg/kg);Color
F-881;SN-100;20.02.2026;09:10;22,5;n.d.;12,5;1,5
F-882;007;20.02.2026;10:25;410;12;-;2
"""


def date_format(found: Guess) -> tuple[str, str] | None:
    """The one format that fits; None when none or several do."""
    return found.date_formats[0] if len(found.date_formats) == 1 else None


def spanish(text: str = SPANISH, encoding: str = "cp1252") -> bytes:
    return text.replace("\n", "\r\n").encode(encoding)


def look(content: bytes, structure: Structure | None = None) -> Guess:
    return guess(content, structure or Structure())


def decided(found: Guess, **other: Any) -> Decisions:
    """What a person who agrees with every proposal decides, and what the proposals leave open."""
    columns = tuple(
        Column(
            c.header,
            c.meaning.role if c.meaning else "ignore",
            (c.meaning.unit if c.meaning else None) or "",
        )
        for c in found.columns
    )
    day, clock = date_format(found) or ("", "")
    base = Decisions(
        columns=columns,
        decimal_mark=found.decimal_mark or "",
        thousands_mark=found.thousands_mark or "",
        day_format=day,
        clock_format=clock,
        gas_volume_temperature="0",
        units_under_header=found.units_under_header,
        words={word: means for word, means in found.words.items() if means},
        default_compartment="main",
    )
    return replace(base, **other)


def with_column(decisions: Decisions, header: str, **other: str) -> Decisions:
    changed = (replace(c, **other) if c.header == header else c for c in decisions.columns)
    return replace(decisions, columns=tuple(changed))


# --- proposals --------------------------------------------------------------------------------------------


def test_an_unknown_file_is_proposed_whole() -> None:
    found = look(spanish())
    grid = found.grid
    assert (grid.file, grid.encoding, grid.delimiter, grid.header.line) == ("text", "cp1252", ";", 3)
    assert [c.meaning.role if c.meaning else None for c in found.columns] == [
        "laboratory_number",
        "unit_serial",
        "date",
        "time",
        "h2",
        "c2h2",
        "water",
        None,
    ]
    assert found.columns[1].cells == ("SN-100", "007")
    assert (found.decimal_mark, found.thousands_mark, date_format(found)) == (
        ",",
        None,
        ("%d.%m.%Y", " %H:%M"),
    )
    assert found.words == {"n.d.": "not_detected", "-": "not_measured"}


@pytest.mark.parametrize(
    ("name", "encoding", "delimiter", "line", "decimal", "thousands"),
    [
        ("quillfen_history.csv", "cp1252", ";", 1, ",", None),
        ("hollowell_26-118.csv", "cp1252", "|", 7, ",", " "),
        ("osmunda_export.txt", "utf-8", "\t", 1, ".", ","),
    ],
)
def test_files_of_known_laboratories_are_proposed_as_their_profiles_say(
    name: str, encoding: str, delimiter: str, line: int, decimal: str, thousands: str | None
) -> None:
    content = (SAMPLES / name).read_bytes()
    found = look(content)
    assert (found.grid.encoding, found.grid.delimiter, found.grid.header.line) == (encoding, delimiter, line)
    assert (found.decimal_mark, found.thousands_mark) == (decimal, thousands)
    profile = load_profile(name.split("_")[0])
    known = {c.header: c.meaning.role for c in found.columns if c.meaning}
    for column in profile.readings:
        header = next((h for h in known if h.replace("μ", "µ") == column.column), None)
        if header is not None:
            assert known[header] == column.quantity
    assert len(set(known.values()) & {r.quantity for r in profile.readings}) >= 10


def test_dates_that_can_be_read_in_two_ways_are_not_decided() -> None:
    ambiguous = SPANISH.replace("20.02.2026", "02/03/2026")
    found = look(spanish(ambiguous))
    assert {day for day, _ in found.date_formats} == {"%d/%m/%Y", "%m/%d/%Y"}
    assert date_format(found) is None
    one_clear = look(spanish(ambiguous.replace("02/03/2026;10:25", "25/03/2026;10:25")))
    assert date_format(one_clear) == ("%d/%m/%Y", " %H:%M")


def test_a_day_without_its_hour_fits_where_hours_have_a_column_of_their_own() -> None:
    found = look(spanish(SPANISH.replace("20.02.2026;10:25", "20.02.2026;")))
    assert date_format(found) == ("%d.%m.%Y", " %H:%M")
    assert found.hours_missing


@pytest.mark.parametrize(
    ("cells", "mark"),
    [
        (("12,5", "410"), ","),
        (("12.5", "1,250"), "."),
        (("1,250", "410"), None),  # thousands, or three decimals: nobody knows
        (("12,5", "12.5"), None),
        (("410", "12"), None),
    ],
)
def test_a_decimal_mark_is_proposed_only_beyond_doubt(cells: tuple[str, str], mark: str | None) -> None:
    text = f"Serial no.;Date;Hydrogen (ppm)\nSN-100;2026-02-20;{cells[0]}\nSN-100;2026-02-21;{cells[1]}\n"
    assert look(text.encode()).decimal_mark == mark


def test_what_a_person_says_of_the_cut_goes_before_the_guess() -> None:
    found = look(spanish(), Structure("iso8859-15", ";", 2))
    assert (found.grid.encoding, found.grid.header.line) == ("iso8859-15", 2)
    assert found.columns[0].header == "Informe 2026-11"
    with pytest.raises(UnreadableFileError, match="line 99 is blank or not among the first"):
        look(spanish(), Structure(header_line=99))


def test_a_workbook_is_proposed_with_its_sheet_and_units_under_the_header() -> None:
    found = look((SAMPLES / "tessarine_order_4471.xlsx").read_bytes())
    assert (found.grid.file, found.grid.sheet, found.units_under_header) == ("workbook", "Results", True)
    assert {c.header: c.meaning.unit for c in found.columns if c.meaning}["O2"] == "%"
    assert "Results" in found.grid.sheets


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"", "the file is empty"),
        (b"\x00\x01\x02\x03" * 50, "UTF-16|NUL"),
        (b"PK\x03\x04 no workbook", "workbook"),
        (b"one line only", "no mark|no row stands under"),
        (b"Serial no.;Date;H2\n", "no row stands under the header"),
        (b";".join(b"h%d" % i for i in range(200)) + b"\n" + b";" * 199 + b"1\n", "more than 120"),
    ],
)
def test_what_is_no_table_is_refused_in_words(content: bytes, reason: str) -> None:
    with pytest.raises(UnreadableFileError, match=reason):
        look(content)


# --- decisions --------------------------------------------------------------------------------------------


def test_decisions_make_a_profile_that_the_import_s_reader_reads() -> None:
    found = look(spanish())
    decisions = with_column(decided(found), "Acetileno (ppm)", limit="0,5")
    mapped = read_rows(spanish(), profile_of(decisions, found.grid))
    assert (mapped.count, mapped.problem_count) == (2, 0)
    first, second = mapped.rows
    assert first.readings == {
        "h2": Reading("h2", value=22.5),
        "c2h2": Reading("c2h2", below=0.5),
        "water": Reading("water", value=12.5),
    }
    assert dict(second.units) == {"Número de serie": "007"}
    assert (second.laboratory_number, second.taken_at) == ("F-882", datetime(2026, 2, 20, 10, 25))  # noqa: DTZ001
    assert "water" not in second.readings


def test_the_reference_temperature_that_was_chosen_is_applied() -> None:
    found = look(spanish())
    decisions = with_column(decided(found, gas_volume_temperature="20"), "Acetileno (ppm)", limit="0.5")
    mapped = read_rows(spanish(), profile_of(decisions, found.grid))
    assert mapped.rows[0].readings["h2"].value == pytest.approx(22.5 * 273.15 / 293.15)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"decimal_mark": ""}, "decimal mark: choose point or comma"),
        ({"day_format": ""}, "date: choose how the date is written"),
        ({"clock_format": ""}, "time: choose how the time of day is written"),
        ({"clock_format": "T%H:%M"}, "a time with T before it stands in the date's column"),
        ({"gas_volume_temperature": ""}, "gas volumes: choose the temperature"),
        ({"zone": "Nowhere/Land"}, "is neither 'site' nor 'offset' nor a time zone"),
        ({"thousands_mark": ","}, "decimal_mark and thousands_mark are the same"),
        ({"assumed_time": "25:00"}, "assumed_time"),
        ({"repeated_hour": "third"}, "repeated_hour"),
        ({"zero": "nothing"}, "zero"),
    ],
)
def test_what_is_missing_or_contradicts_is_named(change: dict[str, str], said: str) -> None:
    found = look(spanish())
    with pytest.raises(MappingError) as caught:
        profile_of(decided(found, **change), found.grid)
    assert said in str(caught.value)


@pytest.mark.parametrize(
    ("header", "change", "said"),
    [
        ("Color", {"role": ""}, "decide what these are, or that they are not read: 'Color'"),
        (
            "Color",
            {"role": "h2", "unit": "ppm"},
            "hydrogen: stands in 'Hidrógeno (ppm)' and 'Color'; keep one",
        ),
        ("Color", {"role": "colour"}, "is nothing that a column can be"),
        ("Hidrógeno (ppm)", {"unit": ""}, "choose the unit it is in: µL/L, ppm, %, mL/L"),
        ("Hidrógeno (ppm)", {"unit": "mg/kg"}, "choose the unit it is in"),
        ("Acetileno (ppm)", {"limit": "little"}, "is no detection limit; write a number above 0"),
        ("Acetileno (ppm)", {"limit": "-1"}, "is no detection limit"),
        ("Fecha de muestreo", {"role": "ignore"}, "say which column holds the date"),
        ("Número de serie", {"role": "ignore"}, "say which column tells the unit"),
    ],
)
def test_columns_that_cannot_be_are_named(header: str, change: dict[str, str], said: str) -> None:
    found = look(spanish())
    with pytest.raises(MappingError) as caught:
        profile_of(with_column(decided(found), header, **change), found.grid)
    assert said in str(caught.value)


def test_columns_that_nobody_decided_on_are_left_out_only_when_that_is_said() -> None:
    found = look(spanish())
    decisions = with_column(decided(found, leave_undecided=True), "Color", role="")
    assert profile_of(decisions, found.grid).ignored == ("Color",)


def test_two_columns_of_one_header_are_refused_when_one_is_read() -> None:
    content = b"Serial no.;Date;H2 (ppm);H2 (ppm)\nSN-100;2026-02-20;1.5;2.5\n"
    found = look(content)
    decisions = decided(found, assumed_time="12:00")
    one = replace(decisions, columns=(*decisions.columns[:3], Column("H2 (ppm)", "ignore")))
    with pytest.raises(MappingError, match="two columns have this header"):
        profile_of(one, found.grid)


def test_every_fault_is_told_at_once() -> None:
    with pytest.raises(MappingError) as caught:
        profile_of(Decisions(columns=(Column("A"), Column(""))), look(spanish()).grid)
    assert len(caught.value.problems) >= 7


# --- what is kept -----------------------------------------------------------------------------------------


def profile_for_spanish() -> Any:
    found = look(spanish())
    decisions = with_column(decided(found), "Acetileno (ppm)", limit="0.5")
    return profile_of(decisions, found.grid, "Made for the test")


def test_a_saved_mapping_reads_the_laboratory_s_files_from_then_on(fleet_database: Database) -> None:
    new = NewProfile("FERRAN", "Laboratorio Ferrán", profile_for_spanish(), "R. Oster")
    save_profile(fleet_database, new, NOW)
    looked = preview(fleet_database, spanish(), "a.csv", "FERRAN", NOW)
    assert looked.problems == ()
    assert looked.counts["new"] == 2
    done = import_file(fleet_database, spanish(), "a.csv", "FERRAN", "R. Oster", NOW, BatchTerms(""))
    assert [row.sample.asset_code for row in done.rows] == ["W-T1", "W-T2"]
    assert ("FERRAN", "Laboratorio Ferrán") in mappable_laboratories(fleet_database)


def test_the_newest_mapping_counts_and_the_earlier_one_is_kept(fleet_database: Database) -> None:
    first = NewProfile("FERRAN", "Laboratorio Ferrán", profile_for_spanish(), "R. Oster")
    save_profile(fleet_database, first, NOW)
    later = replace(first, profile=first.profile.model_copy(update={"description": "Second"}))
    save_profile(fleet_database, later, NOW)
    with fleet_database.read() as connection:
        text = laboratory_profiles.find(connection, "FERRAN")
        count = connection.exec_driver_sql("SELECT count(*) FROM laboratory_profiles").scalar()
    assert text is not None
    assert '"description": "Second"' in text
    assert count == 2


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"author": " "}, "author: say who made the mapping"),
        ({"code": "no spaces"}, "code: 'no spaces' cannot be a code"),
        ({"code": ""}, "cannot be a code"),
        ({"name": ""}, "name: say the name of the new laboratory"),
        ({"code": "W-T1-M"}, "W-T1-M is the code of an instrument"),
        ({"code": "LAB"}, "LAB has the profile quillfen, which is part of the program"),
    ],
)
def test_what_cannot_be_saved_leaves_nothing(
    fleet_database: Database, change: dict[str, str], said: str
) -> None:
    given = {"code": "FERRAN", "name": "Laboratorio Ferrán", "author": "R. Oster", **change}
    new = NewProfile(given["code"], given["name"], profile_for_spanish(), given["author"])
    with pytest.raises(MappingError, match=said):
        save_profile(fleet_database, new, NOW)
    assert mappable_laboratories(fleet_database) == []


def test_compartments_of_the_fleet_are_offered_the_commonest_first(fleet_database: Database) -> None:
    assert compartment_names(fleet_database) == ["main", "tap changer"]


def test_a_workbook_with_real_dates_is_mapped_and_read() -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["Serial no.", "Sampled", "Hydrogen (ppm)", "Oil temperature (°C)"])
    sheet.append(["SN-100", datetime(2026, 2, 20, 9, 10), 22.5, 45])  # noqa: DTZ001 - as spreadsheets store it
    kept = io.BytesIO()
    book.save(kept)
    found = look(kept.getvalue())
    mapped = read_rows(kept.getvalue(), profile_of(decided(found), found.grid))
    assert mapped.problems == ()
    assert mapped.rows[0].readings["h2"] == Reading("h2", value=22.5)
    assert mapped.rows[0].taken_at == datetime(2026, 2, 20, 9, 10)  # noqa: DTZ001
