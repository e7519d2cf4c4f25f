"""The tables of limits, vertices and actions as a page can show them: every row with its source."""

from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files

from app.domain.judging.methods import METHODS
from app.domain.judging.norms import NORM_SET
from app.science import tables as data
from app.science.quantities import BY_NAME
from app.science.tables import rows

CITATION_COLUMNS = ("source", "edition", "clause", "provenance", "note")
TITLES = {
    "1": "Table 1: 90th percentile concentration, µL/L",
    "2": "Table 2: 95th percentile concentration, µL/L",
    "3": "Table 3: 95th percentile change between two successive laboratory samples, µL/L",
    "4": "Table 4: 95th percentile multi-point rate, µL/L per year",
}
_OF_NO_METHOD = {
    "actions": "What to do next, by urgency; days from the sample",
    "notice_steps": "What to do next about an instrument; days from the mail",
    "course": "The course of a unit: quiet times, rates, times to a limit",
    "detection_limits": "Usual detection limits",
    "extreme": "Extreme results: multiples of Table 2 (level, fault), Table 3 (delta), Table 4 (rate), or limits",
    "fault_call_counts": "Fault call: zones seen under known faults",
    "fault_call_parameters": "Fault call: parameters of the calibration",
    "own_record": "Gas against its own record, where no published norm applies",
    "furans": "Furfural and the degree of polymerization",
    "gas_solubility": "Solubility of gases in oil",
    "iec_60599_typical": "IEC 60599: typical ranges over networks",
    "instrument_signs": "Signs of an instrument in trouble: thresholds",
    "step_companions": "Which gases a fault would bring with which, for steps of one sensor",
    "ieee_c57_104_2008": "IEEE C57.104-2008: highest values of conditions 1 to 3",
    "ieee_c57_104_2008_actions": "IEEE C57.104-2008: actions by condition and rate of TDCG",
    "ieee_c57_104_2008_blanket": "IEEE C57.104-2008: sampling by gas in the blanket",
    "moisture_models": "Water in paper and bubbles: coefficients",
    "trend_call": "When a unit is called rising: levels by the looks of ten years",
    "online_watch": "On-line changes: limits of the watch over daily values",
    "oil_quality": "Oil quality by voltage class",
    "ostwald": "Ostwald coefficients (sets must not be mixed)",
    "water_and_paper": "Single limits of water and paper",
    "quality_signs": "Signs of a doubtful sample",
    "ratio_limits": "Single limits of ratios and gases",
    "uncertainty": "Measurement uncertainty",
    "nei": "Normalized energy intensity: coefficients",
    "water_solubility": "Solubility of water: constants",
}
LISTED = {**_OF_NO_METHOD, **{table: title for method in METHODS for table, title in method.tables.items()}}
"""Titles of the files shown row by row; every table needs one."""
_SIDES = {"low": "O₂/N₂ ≤ 0.2", "high": "O₂/N₂ > 0.2"}


@dataclass(frozen=True, slots=True)
class NormTable:
    """One table for reading. ``sources`` are (citation, provenance) pairs; ``notes`` are remarks on cells."""

    key: str
    title: str
    header: tuple[str, ...]
    body: tuple[tuple[str, ...], ...]
    sources: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]

    @property
    def numeric(self) -> tuple[bool, ...]:
        """Columns that hold numbers, to be set flush right."""
        return tuple(
            any(line[i] for line in self.body) and all(_is_number(line[i]) for line in self.body if line[i])
            for i in range(len(self.header))
        )


def _is_number(cell: str) -> bool:
    return cell.removesuffix(" !").replace(".", "", 1).replace("-", "", 1).isdigit() or cell.startswith("any")


def norm_tables() -> list[NormTable]:
    """The four tables of IEEE C57.104-2019 as a matrix, then every other data file row by row."""
    found = [_matrix(number, title) for number, title in TITLES.items()]
    others = sorted(
        entry.name.removesuffix(".csv") for entry in files(data).iterdir() if entry.name.endswith(".csv")
    )
    return found + [_listing(name) for name in others if name != NORM_SET]


def _matrix(number: str, title: str) -> NormTable:
    mine = [row for row in rows(NORM_SET) if row["table"] == number]
    columns: list[tuple[str, str]] = []
    gases: list[str] = []
    cells: dict[tuple[str, tuple[str, str]], str] = {}
    for row in mine:
        column = (row["oxygen_ratio"], row["age"] or row["span"])
        if column not in columns:
            columns.append(column)
        if row["quantity"] not in gases:
            gases.append(row["quantity"])
        mark = " !" if row["note"].startswith("doubtful") else ""
        cells[row["quantity"], column] = (row["limit"] or row["note"]) + mark
    return NormTable(
        key=f"table-{number}",
        title=f"IEEE C57.104-2019, {title}",
        header=("Gas", *(_column_title(number, *column) for column in columns)),
        body=tuple((BY_NAME[gas].symbol, *(cells[gas, column] for column in columns)) for gas in gases),
        sources=_sources(mine),
        notes=tuple(
            f"! {BY_NAME[row['quantity']].symbol}: {row['note']}"
            for row in mine
            if row["note"].startswith("doubtful")
        ),
    )


def _column_title(number: str, side: str, third: str) -> str:
    unit = {"3": "", "4": " months"}.get(number, "" if third == "unknown" else " years")
    third = {"unknown": "age unknown"}.get(third, third)
    return ", ".join(part for part in (_SIDES[side], f"{third}{unit}" if third else "") if part)


def _listing(name: str) -> NormTable:
    found = rows(name)
    header = tuple(column for column in (found[0] if found else {}) if column not in CITATION_COLUMNS)
    cite = ("source", "provenance", "note") if found and "source" in found[0] else ()
    body = tuple(
        (
            *(_cell(column, row[column]) for column in header),
            *((_cite(row), row["provenance"], row.get("note", "")) if cite else ()),
        )
        for row in found
    )
    return NormTable(
        key=name,
        title=LISTED[name],
        header=(*(column.replace("_", " ") for column in header), *cite),
        body=body,
        sources=(),
        notes=(),
    )


def _cell(column: str, text: str) -> str:
    """A gas by its symbol; everything else as it stands in the table."""
    return BY_NAME[text].symbol if column in {"quantity", "gas"} and text in BY_NAME else text


def _sources(found: Sequence[dict[str, str]]) -> tuple[tuple[str, str], ...]:
    return tuple(dict.fromkeys((_cite(row), row["provenance"]) for row in found))


def _cite(row: dict[str, str]) -> str:
    edition = row.get("edition", "")
    named = f"{row['source']}-{edition}" if edition[:4].isdigit() else f"{row['source']} {edition}".strip()
    return ", ".join(part for part in (named, row.get("clause", "")) if part)
