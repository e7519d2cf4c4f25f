"""Every row of every table cites its source; the norm tables agree with a second transcription."""

from importlib.resources import files

import pytest

from app.domain.findings import PRACTICE
from app.science.tables import PROVENANCES, TableError, cited, parse, rows

NAMES = sorted(
    p.name.removesuffix(".csv") for p in files("app.science.tables").iterdir() if p.name.endswith(".csv")
)

# IEEE C57.104-2019, 6.1.3, typed in a second time, column by column:
# O2/N2 <= 0.2 (unknown, 1-9, 10-30, > 30 years), then > 0.2 (the same)
TABLE_1 = """
h2   80 75 75 100            40 40 40 40
ch4  90 45 90 110            20 20 20 20
c2h6 90 30 90 150            15 15 15 15
c2h4 50 20 50 90             50 25 60 60
c2h2 1 1 1 1                 2 2 2 2
co   900 900 900 900         500 500 500 500
co2  9000 5000 10000 10000   5000 3500 5500 5500
"""
TABLE_2 = """
h2   200 200 200 200         90 90 90 90
ch4  150 100 150 200         50 60 60 30
c2h6 175 70 175 250          40 30 40 40
c2h4 100 40 95 175           100 80 125 125
c2h2 2 2 2 4                 7 7 7 7
co   1100 1100 1100 1100     600 600 600 600
co2  12500 7000 14000 14000  7000 5000 8000 8000
"""
TABLE_3 = {
    "h2": (40, 25),
    "ch4": (30, 10),
    "c2h6": (25, 7),
    "c2h4": (20, 20),
    "co": (250, 175),
    "co2": (2500, 1750),
}
# O2/N2 <= 0.2 over 4-9 and 10-24 months, then > 0.2
TABLE_4 = {
    "h2": (50, 20, 25, 10),
    "ch4": (15, 10, 4, 3),
    "c2h6": (15, 9, 3, 2),
    "c2h4": (10, 7, 7, 5),
    "co": (200, 100, 100, 80),
    "co2": (1750, 1000, 1000, 800),
}
AGES = ("unknown", "1-9", "10-30", "over 30")


@pytest.mark.parametrize("name", NAMES)
def test_every_row_cites_its_source(name: str) -> None:
    for row in rows(name):
        assert row["provenance"] in PROVENANCES
        assert all(row[c].strip() for c in ("source", "edition", "clause"))


@pytest.mark.parametrize("name", NAMES)
def test_a_citation_is_written_without_an_edition_that_is_none(name: str) -> None:
    for row in rows(name):
        assert "-none" not in cited(row)
        assert "not stated" not in cited(row)
        if (row["source"], row["clause"]) == ("common practice", "no source"):
            assert cited(row) == PRACTICE


def test_a_row_without_clause_is_refused() -> None:
    with pytest.raises(TableError, match=r"x\.csv line 3: clause is empty"):
        parse("a,source,edition,clause,provenance\n1,S,1,c,paper\n1,S,1,,paper\n", "x.csv")


def test_an_invented_provenance_is_refused() -> None:
    with pytest.raises(TableError, match=r"x\.csv line 2: provenance is 'hearsay'"):
        parse("a,source,edition,clause,provenance\n1,S,1,c,hearsay\n", "x.csv")


def test_a_table_without_citation_columns_is_refused() -> None:
    with pytest.raises(TableError, match=r"no column edition"):
        parse("a,source,clause,provenance\n1,S,c,paper\n", "x.csv")


def test_an_unquoted_comma_is_refused() -> None:
    with pytest.raises(TableError, match=r"line 2: 5 cells were expected"):
        parse("a,source,edition,clause,provenance\n1,S,1,c,paper,more\n", "x.csv")


def test_an_unknown_table_is_named() -> None:
    with pytest.raises(TableError, match="no table 'nothing'"):
        rows("nothing")


def _second_transcription() -> dict[tuple[str, str, str, str, str], str]:
    cells: dict[tuple[str, str, str, str, str], str] = {}
    for table, text in (("1", TABLE_1), ("2", TABLE_2)):
        for line in text.strip().splitlines():
            gas, *limits = line.split()
            for i, limit in enumerate(limits):
                cells[table, gas, ("low", "high")[i // 4], AGES[i % 4], ""] = limit
    for side, oxygen in enumerate(("low", "high")):
        for gas, pair in {**TABLE_3, "c2h2": ("", "")}.items():
            cells["3", gas, oxygen, "", ""] = str(pair[side])
        for gas, four in {**TABLE_4, "c2h2": ("", "", "", "")}.items():
            for column, span in enumerate(("4-9", "10-24")):
                cells["4", gas, oxygen, "", span] = str(four[2 * side + column])
    return cells


def test_norms_of_2019_agree_with_a_second_transcription() -> None:
    keys = ("table", "quantity", "oxygen_ratio", "age", "span")
    shipped = {tuple(row[k] for k in keys): row["limit"] for row in rows("ieee_c57_104_2019")}
    assert len(shipped) == 56 + 56 + 14 + 28
    assert shipped == _second_transcription()


def test_any_increase_and_the_doubtful_cell_are_marked() -> None:
    for row in rows("ieee_c57_104_2019"):
        assert (row["limit"] == "") == row["note"].startswith("any increas")
    doubtful = [r for r in rows("ieee_c57_104_2019") if r["note"].startswith("doubtful")]
    assert [(r["table"], r["quantity"], r["oxygen_ratio"], r["age"]) for r in doubtful] == [
        ("2", "ch4", "high", "over 30")
    ]
