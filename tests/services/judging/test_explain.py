"""`ullage explain`: the trace of one sample can be checked by hand, and says what the engine says."""

import io

import pytest

from app.domain.judging.methods import METHODS, TITLES
from app.services.judging.explain import explain_csv
from app.services.judging.interpret import interpret_csv
from app.services.judging.interpret_rows import CsvError

E1 = """asset,taken_at,age_years,h2,ch4,c2h6,c2h4,c2h2,co,co2,o2,n2
E1,2003-02-04,1,0,0,0,0,0,23,188,13364,108233
E1,2004-01-13,1,95,421,128,695,7,25,360,2304,76540
E1,2004-01-28,1,104,404,138,678,5,31,343,4503,83976
E1,2004-02-10,1,120,554,199,839,9,30,378,2387,86795
"""
"""IEEE C57.104-2019, Annex E.1."""

B1 = "asset,taken_at,c2h4,o2,n2\n" + "".join(
    f"B1,2015-{month:02d}-{day:02d},{level},1,100\n"
    for month, day, level in ((1, 1, 5), (1, 15, 9), (1, 28, 7), (2, 10, 8), (4, 7, 9), (5, 31, 7))
)
"""The first six rows of IEEE C57.104-2019, Annex B.1 (days 0, 14, 27, 40, 96, 150)."""


def trace(text: str, row: int) -> list[str]:
    return list(explain_csv(io.StringIO(text), row))


def line(found: list[str], start: str) -> str:
    return next(text.strip() for text in found if text.strip().startswith(start))


def test_the_trace_shows_every_step_with_its_number_limit_and_table() -> None:
    found = trace(E1, 3)
    assert found[0].startswith("E1, 2004-01-28 00:00 UTC, rule set ")
    assert found[1] == "A laboratory sample, number 3 of its series."
    steps = [text for text in found if text[:2] in {"1.", "2.", "3.", "4.", "5.", "6.", "7."}]
    assert [s.split(" ")[1].rstrip(",") for s in steps] == [
        "Levels",
        "Change",
        "Multi-point",
        "Confirmation",
        "Diagnostic",
        "Course",
        "Verdict",
    ]
    assert "O₂/N₂ 0.05, age 1-9 years" in steps[0]
    levels = [text.strip() for text in found[found.index(steps[0]) : found.index(steps[1])]]
    assert (
        "C₂H₄  678 µL/L against 20 [IEEE C57.104-2019, 6.1.3 Table 1; standard] "
        "and 40 [IEEE C57.104-2019, 6.1.3 Table 2; standard]: above the high value" in levels
    )


def test_the_change_is_written_as_a_subtraction_from_the_sample_before_the_suspect_one() -> None:
    found = trace(E1, 3)
    changes = found[next(i for i, t in enumerate(found) if t.startswith("2.")) :]
    assert line(changes, "C₂H₄") == "C₂H₄  678 - 0 = +678 µL/L, above 20 µL/L"
    assert line(changes, "the suspect change before it").endswith("confirmed")
    assert line(changes, "status 3") == "status 3: the worst of levels, changes and rates of any gas"


def test_the_points_of_a_rate_are_listed_so_that_it_can_be_done_again() -> None:
    found = trace(B1, 6)
    rates = found[next(i for i, t in enumerate(found) if t.startswith("3.")) :]
    assert line(rates, "C₂H₄").startswith("C₂H₄  +2.15 µL/L a year from 6 points over 150 days, not above ")
    assert line(rates, "points (days before, µL/L)") == (
        "points (days before, µL/L): (-150, 5), (-136, 9), (-123, 7), (-110, 8), (-54, 9), (0, 7)"
    )


def test_a_gas_that_was_not_measured_and_one_below_its_limit_are_told() -> None:
    text = "asset,taken_at,h2,c2h2\nA,2020-01-01,10,<0.5\n"
    found = trace(text, 1)
    assert line(found, "CH₄") == "CH₄   not measured"
    assert "<0.5 µL/L against" in line(found, "C₂H₂")


def test_the_trace_says_what_interpret_says() -> None:
    result = list(interpret_csv(io.StringIO(E1)))[1]
    found = trace(E1, 2)
    for sentence in result["verdict"]:
        assert f"   {sentence['text']}  [{'; '.join(sentence['sources'])}]" in found
    said = [
        f"   {TITLES[name]}: {call['code'] or 'not applicable'} - {call['why']}"
        for name, call in result["methods"].items()
    ]
    assert [text.partition(":")[0].strip() for text in said] == [method.title for method in METHODS]
    assert [text for text in found if text in said] == said


def test_the_trace_tells_what_the_new_gas_alone_looks_like() -> None:
    found = trace(E1, 2)
    for title in ("Duval triangle 1", "Duval pentagon 1"):
        for since in ("last believed sample", "baseline"):
            assert line(found, f"{title}, new gas since the {since}: ").startswith(title)


def test_an_on_line_reading_is_called_one_and_what_it_is_compared_with_is_said() -> None:
    found = trace("asset,taken_at,source_kind,h2\nA,2020-01-01,instrument,10\n", 1)
    assert found[1] == "An on-line reading, number 1 of its series."
    assert "2. Change against the mean of the month that ended a month before (Table 3)" in found
    assert line(found, "3. Multi-point rate").endswith(
        "daily medians of nine months, 30 at least, over 4 months at least"
    )
    assert line(found, "Duval triangle 1, new gas against the mean of the month that ended a month before: ")


def test_rows_count_by_file_and_not_by_time() -> None:
    text = "asset,taken_at,h2\nB,2021-01-01,10\nA,2020-01-01,30\nB,2020-01-01,20\n"
    found = trace(text, 1)
    assert found[0].startswith("B, 2021-01-01")
    assert found[1].endswith("number 2 of its series.")


def test_a_row_that_is_not_there_and_a_bad_file_are_told() -> None:
    with pytest.raises(CsvError, match="there is no row 9: the file has 4"):
        trace(E1, 9)
    with pytest.raises(CsvError, match="the column 'asset' is missing"):
        trace("h2\n1\n", 1)
