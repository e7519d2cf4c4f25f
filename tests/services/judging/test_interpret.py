"""`ullage interpret`: the documented form of a result, every bad file told by line, bounded memory."""

import io
import json
import random
import resource
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from app.science.quantities import NAMES
from app.services.judging.interpret import interpret_csv, judge_csv
from app.services.judging.interpret_rows import KNOWN, CsvError

HEADER = "asset,taken_at,age_years,h2,ch4,c2h6,c2h4,c2h2,co,co2,o2,n2"
QUIET = "5,10,5,4,3,<0.5,200,2000,900,50000"
MEMORY_LIMIT = 1_500_000
"""[kB] Of resident memory for a hundred thousand rows."""


def interpret(text: str, *, detailed: bool = False) -> list[dict[str, Any]]:
    return list(interpret_csv(io.StringIO(text), detailed=detailed))


def rows(*lines: str) -> str:
    return "\n".join([HEADER, *lines]) + "\n"


def test_every_row_gives_one_object_of_the_documented_form() -> None:
    """The three last samples of IEEE C57.104-2019, Annex E.1, and a quiet unit between them."""
    text = rows(
        "E1,2004-01-13,1,95,421,128,695,7,25,360,2304,76540",
        f"Q,2004-01-20,{QUIET}",
        "E1,2004-01-28T00:00:00+00:00,1,104,404,138,678,5,31,343,4503,83976",
        "E1,2004-02-10T01:00+01:00,1,120,554,199,839,9,30,378,2387,86795",
    )
    found = interpret(text)
    assert [(r["row"], r["asset"], r["taken_at"]) for r in found] == [
        (1, "E1", "2004-01-13T00:00:00Z"),
        (2, "Q", "2004-01-20T00:00:00Z"),
        (3, "E1", "2004-01-28T00:00:00Z"),
        (4, "E1", "2004-02-10T00:00:00Z"),
    ]
    assert [r["status"] for r in found] == [3, 1, 3, 3]
    for one in found:
        assert isinstance(one["status_reasons"], (list, tuple))
        assert all(isinstance(reason, str) for reason in one["status_reasons"])
        for call in one["methods"].values():
            assert set(call) == {"code", "applicable", "why"}
        assert isinstance(one["nei_oil"], float)
        assert one["relative_saturation"] is None
        json.dumps(one, allow_nan=False)
    assert [r["methods"]["duval_triangle_1"]["code"] for r in found] == ["T3", None, "T3", "T3"]
    assert found[0]["nei_oil"] == pytest.approx(5.31, abs=0.005)


def test_rates_have_the_documented_form() -> None:
    """The first six rows of IEEE C57.104-2019, Annex B.1: 2.1 µL/L a year over 150 days."""
    series = ((0, 5), (14, 9), (27, 7), (40, 8), (96, 9), (150, 7))
    start = datetime(2015, 1, 1)  # noqa: DTZ001 - the file has no zone: UTC
    text = "asset,taken_at,c2h4,o2,n2\n" + "".join(
        f"B1,{(start + timedelta(days=day)).isoformat()},{level},1,100\n" for day, level in series
    )
    rate = interpret(text)[-1]["rates"]["c2h4"]
    assert set(rate) == {"per_year", "span_days", "points"}
    assert rate["per_year"] == pytest.approx(2.1, abs=0.1)
    assert (rate["span_days"], rate["points"]) == (150.0, 6)


def test_results_carry_verdict_actions_and_cautions() -> None:
    one = interpret(rows(f"Q,2026-03-01,{QUIET}"), detailed=True)[0]
    assert one["verdict"][0]["text"].startswith("Status 1, ")
    assert all(set(s) == {"topic", "text", "sources"} and s["sources"] for s in one["verdict"])
    assert one["urgency"] == "routine"
    assert one["actions"][0]["due"] == "2027-03-01"
    assert one["cautions"]
    assert sum(one["certainty"]["status"].values()) == pytest.approx(1.0, abs=0.002)


def test_next_steps_know_what_the_file_says_of_the_unit() -> None:
    """A monitor on the unit, its tap changer's sample, its age: all from the rows up to the sample."""
    header = "asset,taken_at,age_years,compartment,source_kind,h2,ch4,c2h6,c2h4,c2h2,co,co2,o2,n2"
    gases, tap = "10,5,4,3,0,200,2000,900,50000", "9,5,4,3,40,200,2000,900,50000"
    found = interpret(
        "\n".join(
            [
                header,
                f"M,2025-09-01,20,main_tank,laboratory,{gases}",
                f"M,2026-03-01,20,main_tank,instrument,{gases}",
                f"M,2026-03-02,20,main_tank,laboratory,{tap}",
                f"M,2026-03-03,20,tap_changer,laboratory,{tap}",
                f"M,2026-03-04,20,main_tank,laboratory,{tap}",
                f"Y,2026-03-01,0.5,main_tank,laboratory,{'<5,<1,<1,<1,<0.2,50,300,900,50000'}",
            ]
        )
    )
    assert [r["next_sample_due"] for r in found[:2]] == ["2026-09-01", "2026-09-01"]
    steps = [" ".join(a["text"] for a in r["actions"]) for r in found]
    assert "compare the monitor with it" in steps[1]
    assert "Sample the tap changer's oil too" in steps[2]
    assert "Compare with the tap changer's newest sample" in steps[4]
    assert not any("Put an on-line monitor" in text for text in steps)
    assert found[5]["next_sample_due"] == "2026-05-30"


def test_the_order_of_the_file_is_kept_and_the_judgement_is_that_of_time() -> None:
    late, early = "A,2020-07-01,5,60,5,4,3,0,200,2000,900,50000", f"A,2020-01-01,{QUIET}"
    found = interpret(rows(late, early))
    assert [r["taken_at"][:7] for r in found] == ["2020-07", "2020-01"]
    assert found[0]["deltas"]["h2"] == 50.0
    assert found[0]["suspect"]


def test_a_new_baseline_compares_with_nothing_before_it() -> None:
    header = HEADER.replace("age_years", "age_years,baseline")
    lines = [
        "A,2020-01-01,5,a,90,5,4,3,0,200,2000,900,50000",
        "A,2020-07-01,5,b,10,5,4,3,0,200,2000,900,50000",
    ]
    found = interpret("\n".join([header, *lines]))
    assert found[1]["deltas"] == {}
    assert not found[1]["suspect"]


def test_a_monitor_is_told_by_its_interval_or_by_its_column() -> None:
    def hourly(kind: str) -> str:
        header = HEADER + (",source_kind" if kind else "")
        start = datetime(2020, 1, 1)  # noqa: DTZ001
        return "\n".join(
            [header]
            + [
                f"A,{(start + timedelta(hours=4 * i)).isoformat()},{QUIET}" + (f",{kind}" if kind else "")
                for i in range(6)
            ]
        )

    # a laboratory's repeated report is doubted; a steady monitor says the same again and again
    assert not any(r["doubtful"] for r in interpret(hourly("")))
    assert not any(r["doubtful"] for r in interpret(hourly("instrument")))
    assert any(r["doubtful"] for r in interpret(hourly("laboratory")))


def test_empty_cells_blank_lines_a_mark_and_capitals_are_no_fault() -> None:
    text = "\ufeffAsset,Taken_At,H2,ch4\n\nA,2020-01-01,,3\n , , ,\nA,2020-05-01,<5,\n"
    found = interpret(text)
    assert [r["row"] for r in found] == [1, 2]
    assert "h2" not in found[1]["deltas"]


def test_an_empty_file_with_a_header_has_no_results() -> None:
    assert interpret(HEADER + "\n") == []


BAD = {
    "empty": ("", "line 1: the file is empty; it needs a header line"),
    "no asset": ("taken_at,h2\n2020-01-01,1\n", "line 1: the column 'asset' is missing"),
    "no time": ("asset,h2\nA,1\n", "line 1: the column 'taken_at' is missing"),
    "unknown column": (
        "asset,taken_at,hydrogen\nA,2020-01-01,1\n",
        "line 1: 'hydrogen' is not a known column",
    ),
    "column twice": ("asset,taken_at,h2,h2\nA,2020-01-01,1,1\n", "line 1: the column 'h2' stands twice"),
    "semicolons": ("asset;taken_at;h2\nA;2020-01-01;1\n", "line 1: the column 'asset' is missing"),
    "asset empty": (rows(f" ,2020-01-01,{QUIET}"), "line 2: asset: is empty"),
    "time empty": (rows(f"A,,{QUIET}"), "line 2: taken_at: '' is not an ISO 8601 date or time"),
    "american date": (rows(f"A,03/01/2020,{QUIET}"), "line 2: taken_at: '03/01/2020' is not an ISO 8601"),
    "day that never was": (rows(f"A,2023-02-29,{QUIET}"), "line 2: taken_at: '2023-02-29'"),
    "text": (
        rows(f"A,2020-01-01,{QUIET}", "A,2020-02-01,5,many,5,4,3,0,1,2,3,4"),
        "line 3: h2: 'many' is not a number",
    ),
    "decimal comma": (rows('A,2020-01-01,5,"1,5",5,4,3,0,1,2,3,4'), "line 2: h2: '1,5' is not a number"),
    "unit": (rows("A,2020-01-01,5,1 ppm,5,4,3,0,1,2,3,4"), "line 2: h2: '1 ppm' is not a number"),
    "negative": (
        rows("A,2020-01-01,5,-1,5,4,3,0,1,2,3,4"),
        "line 2: h2: -1 µL/L is below the possible minimum 0",
    ),
    "more than all": (
        rows("A,2020-01-01,5,2e6,5,4,3,0,1,2,3,4"),
        "line 2: h2: 2e6 µL/L is above the possible maximum",
    ),
    "not finite": (rows("A,2020-01-01,5,inf,5,4,3,0,1,2,3,4"), "line 2: h2: 'inf' is not a finite number"),
    "nan": (rows("A,2020-01-01,5,NaN,5,4,3,0,1,2,3,4"), "leave the cell empty if it was not measured"),
    "limit without number": (rows("A,2020-01-01,5,<,5,4,3,0,1,2,3,4"), "line 2: h2: '' is not a number"),
    "age": (
        rows("A,2020-01-01,-3,1,5,4,3,0,1,2,3,4"),
        "line 2: age_years: -3 is not between 0 and 200 years",
    ),
    "age a year": (rows("A,2020-01-01,1987,1,5,4,3,0,1,2,3,4"), "line 2: age_years: 1987 is not between"),
    "kind": (
        "asset,taken_at,source_kind\nA,2020-01-01,online\n",
        "line 2: source_kind: 'online' is neither laboratory nor instrument",
    ),
    "too long": (rows(f"A,2020-01-01,{QUIET},9"), "line 2: 13 cells where the header has 12 columns"),
    "cut off": (rows("A,2020-01-01,5,10"), "line 2: 4 cells where the header has 12 columns"),
    "quotation mark open": (rows(f'"A,2020-01-01,{QUIET}', "x" * 140_000), "is a quotation mark open"),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_file_is_told_by_line_with_what_to_mend(name: str) -> None:
    text, words = BAD[name]
    with pytest.raises(CsvError) as error:
        interpret(text)
    assert any(words in problem for problem in error.value.problems), error.value.problems


def test_all_faulty_lines_are_told_at_once_and_nothing_is_yielded() -> None:
    text = rows("A,2020-01-01,5,a,5,4,3,0,1,2,3,4", f"A,2020-02-01,{QUIET}", "A,soon,5,1,5,4,3,0,1,2,3,4")
    with pytest.raises(CsvError) as error:
        next(interpret_csv(io.StringIO(text)))
    assert [problem.split(":")[0] for problem in error.value.problems] == ["line 2", "line 4"]


def test_every_quantity_is_a_column() -> None:
    assert set(NAMES) < set(KNOWN)
    header = ",".join(("asset", "taken_at", *NAMES))
    assert interpret(f"{header}\nA,2020-01-01,{','.join('1' for _ in NAMES)}\n")[0]["status"] == 1


def test_progress_is_told_row_by_row() -> None:
    told: list[tuple[int, int]] = []
    list(
        interpret_csv(
            io.StringIO(rows(*[f"A,2020-0{m}-01,{QUIET}" for m in (1, 2, 3)])), lambda *n: told.append(n)
        )
    )
    assert told == [(1, 3), (2, 3), (3, 3)]


def a_fleet_file(path: Path, count: int) -> None:
    """A hundred samples of each unit; one unit in twenty gasses."""
    rng = random.Random(4)
    with path.open("w", encoding="utf-8") as file:
        file.write(HEADER + "\n")
        for i in range(count):
            unit, step = divmod(i, 100)
            taken = datetime(2015, 1, 1) + timedelta(days=40 * step)  # noqa: DTZ001
            ethylene = 3.0 * rng.uniform(0.95, 1.05) + (1.5 * step if unit % 20 == 0 else 0.0)
            file.write(
                f"U{unit},{taken.isoformat()}Z,12,{10 * rng.uniform(0.95, 1.05):.2f},{5 * rng.uniform(0.95, 1.05):.2f},"
                f"4,{ethylene:.2f},<0.5,{200 * rng.uniform(0.95, 1.05):.0f},2000,900,50000\n"
            )


def test_a_hundred_thousand_rows_need_bounded_memory(tmp_path: Path) -> None:
    """The whole command in a process of its own; the results go to a file, as a user would have them."""
    file, results = tmp_path / "fleet.csv", tmp_path / "results.jsonl"
    a_fleet_file(file, 100_000)
    command = [
        sys.executable,
        "-c",
        "from app.cli.main import main; main()",
        "interpret",
        str(file),
        "--json",
        "--brief",
    ]
    with results.open("wb") as out:
        done = subprocess.run(
            command, stdout=out, stderr=subprocess.PIPE, check=False, cwd=Path(__file__).parents[3]
        )
    assert done.returncode == 0, done.stderr.decode()
    # the greatest of all children of this process so far: a bound all the same
    assert resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss < MEMORY_LIMIT
    with results.open("rb") as lines:
        count, last = 0, b""
        for line in lines:
            count, last = count + 1, line
    assert count == 100_000
    found = json.loads(last)
    assert (found["row"], found["asset"], found["status"]) == (100_000, "U999", 1)


def test_an_event_in_the_file_begins_a_baseline_or_is_said_to_be_unknown() -> None:
    text = "asset,taken_at,h2,laboratory,event\nA,2026-01-01,10,x,\nA,2026-02-01,90,x,\nA,2026-03-01,12,y,degassing\n"
    _, judgement, place = judge_csv(io.StringIO(text))
    assert judgement.frame.series[place[2]] != judgement.frame.series[place[1]]
    assert judgement.frame.worked[place].tolist() == [False, False, True]
    assert judgement.frame.laboratory[place].tolist() == [0, 0, 1]
    with pytest.raises(CsvError, match="event: 'oil bath' is none of degassing"):
        judge_csv(io.StringIO("asset,taken_at,h2,event\nA,2026-01-01,10,oil bath\n"))


def test_the_oil_a_row_is_of_decides_what_judges_it() -> None:
    """One unit: its main tank and its tap changer are volumes of their own; an ester has no norms."""
    head = "asset,taken_at,compartment,liquid,rated_kv,c2h2,c2h4,breakdown_voltage\n"
    text = head + "".join(
        f"A,202{i}-01-01,{kind},,115,{c2h2},{c2h4},{kv}\n"
        for i in range(5)
        for kind, c2h2, c2h4, kv in (
            ("", "<0.5", 3, 20 if i > 2 else 60),
            ("tap_changer", 3000 + 50 * i, 250 if i < 4 else 20_000, ""),
        )
    )
    text += "E,2024-01-01,,natural_ester,,5000,5,\n"
    found = interpret(text)
    main, changer, ester = found[0:10:2], found[1:10:2], found[10]
    assert [r["status"] for r in main] == [1] * 5
    assert [r["status"] for r in (*changer, ester)] == [None] * 6

    def severities(results: list[dict[str, Any]], rule: str) -> list[int]:
        return [max((f["severity"] for f in r["findings"] if f["rule"] == rule), default=0) for r in results]

    assert severities(main, "oil") == [0, 0, 0, 1, 2]
    assert severities(changer, "own_record") == [0, 0, 0, 0, 4]
    assert severities([ester], "own_record") == [4]
    assert changer[4]["urgency"] == ester["urgency"] == "extreme"


@pytest.mark.parametrize(
    ("column", "cell", "reason"),
    [
        ("liquid", "water", "'water' is none of mineral_oil, natural_ester, synthetic_ester, silicone"),
        ("compartment_kind", "tank", "'tank' is none of main_tank, tap_changer"),
        ("paper", "thick", "'thick' is none of plain, upgraded, unknown"),
        ("rated_kv", "9000", "9000 is not between 0 and 2000 kV"),
    ],
)
def test_what_cannot_be_the_unit_s_is_told_by_line(column: str, cell: str, reason: str) -> None:
    with pytest.raises(CsvError, match=f"line 2: {column}: {reason}"):
        interpret(f"asset,taken_at,{column},h2\nA,2024-01-01,{cell},5\n")
