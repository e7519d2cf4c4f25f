"""Reading the plain CSV of :mod:`app.services.judging.interpret`: its rows, and how to mend each faulty cell."""

import csv
import math
from array import array
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import NamedTuple, TextIO, TypeVar

from app.domain.model import CompartmentKind, EventKind, Liquid, Paper, SourceKind
from app.errors import GivenError
from app.science.quantities import BY_NAME, INDEX, NAMES

UNIT = ("age_years", "liquid", "compartment", "compartment_kind", "rated_kv", "paper")
KNOWN = ("asset", "taken_at", *UNIT, "source_kind", "laboratory", "event", "baseline", *NAMES)
OLDEST = 200.0
"""[years] Oil-filled transformers are younger than this."""
MOST_KV = 2000.0


class CsvError(GivenError):
    """The file cannot be read: ``problems`` lists every line and column at fault, with how to mend it."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


@dataclass(frozen=True, slots=True)
class Plate:
    """What a row says of the oil volume and its unit; ``rated_kv`` NaN where it is not known."""

    liquid: Liquid = Liquid.MINERAL_OIL
    kind: CompartmentKind = CompartmentKind.MAIN_TANK
    rated_kv: float = math.nan
    paper: Paper = Paper.UNKNOWN


class Volume(NamedTuple):
    """Which oil: the unit, the compartment's name (empty where only one is told of) and its kind."""

    asset: str
    compartment: str
    kind: CompartmentKind


@dataclass(slots=True)
class CsvRow:
    """One row of the file; ``values`` in the order of ``NAMES``, ``below`` a mask as in the store."""

    number: int
    asset: str
    compartment: str
    taken_at: datetime
    age: float
    plate: Plate
    online: bool | None
    laboratory: str
    event: EventKind | None
    baseline: str
    values: "array[float]"
    below: int

    @property
    def volume(self) -> Volume:
        """Samples of one are compared with each other."""
        return Volume(self.asset, self.compartment, self.plate.kind)


def read_rows(file: TextIO) -> list[CsvRow]:
    """All rows of a file. Raises CsvError, naming every faulty line."""
    reader = csv.reader(file)
    header = [cell.strip().lstrip("\ufeff").lower() for cell in next(reader, [])]
    problems = _header_problems(header)
    if problems:
        raise CsvError(problems)
    rows: list[CsvRow] = []
    try:
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            try:
                if len(cells) != len(header):
                    raise ValueError(f"{len(cells)} cells where the header has {len(header)} columns")
                rows.append(row_of(len(rows) + 1, dict(zip(header, cells, strict=True))))
            except ValueError as error:
                problems.append(f"line {reader.line_num}: {error}")
    except csv.Error as error:
        problems.append(f"line {reader.line_num}: {error}; is a quotation mark open, or is this no CSV?")
    if problems:
        raise CsvError(problems)
    return rows


def _header_problems(header: list[str]) -> list[str]:
    if not header:
        return ["line 1: the file is empty; it needs a header line with asset, taken_at and quantities"]
    problems = [
        f"line 1: the column {name!r} is missing" for name in ("asset", "taken_at") if name not in header
    ]
    problems += [
        f"line 1: {name!r} is not a known column; known are {', '.join(KNOWN)}"
        for name in header
        if name and name not in KNOWN
    ]
    problems += [f"line 1: the column {n!r} stands twice" for n in set(header) if n and header.count(n) > 1]
    return problems


def row_of(number: int, cells: Mapping[str, str]) -> CsvRow:
    """A row from its cells by column; columns that nobody knows are passed over. Raises ValueError, naming the cell."""
    asset = cells["asset"].strip()
    if not asset:
        raise ValueError("asset: is empty")
    values, below = array("d", [math.nan]) * len(NAMES), 0
    for name, text in cells.items():
        if name in INDEX and text.strip():
            value, censored = _number(name, text.strip())
            values[INDEX[name]] = value
            below |= censored << INDEX[name]
    age = cells.get("age_years", "").strip()
    return CsvRow(
        number=number,
        asset=asset,
        compartment=cells.get("compartment", "").strip(),
        taken_at=_time(cells["taken_at"].strip()),
        age=_age(age),
        plate=_plate(cells),
        online=_kind(cells.get("source_kind", "").strip()),
        laboratory=cells.get("laboratory", "").strip(),
        event=_event(cells.get("event", "").strip()),
        baseline=cells.get("baseline", "").strip(),
        values=values,
        below=below,
    )


def _plate(cells: Mapping[str, str]) -> Plate:
    kv = cells.get("rated_kv", "").strip()
    volts = _plain("rated_kv", kv) if kv else math.nan
    if not (math.isnan(volts) or 0.0 < volts <= MOST_KV):
        raise ValueError(f"rated_kv: {kv} is not between 0 and {MOST_KV:g} kV")
    return Plate(
        _one_of("liquid", cells, Liquid.MINERAL_OIL),
        _kind_of_compartment(cells),
        volts,
        _one_of("paper", cells, Paper.UNKNOWN),
    )


def _kind_of_compartment(cells: Mapping[str, str]) -> CompartmentKind:
    """What the cell says; without one a compartment whose name is a kind is of that kind."""
    name = cells.get("compartment", "").strip()
    usual = CompartmentKind(name) if name in set(CompartmentKind) else CompartmentKind.MAIN_TANK
    return _one_of("compartment_kind", cells, usual)


Word = TypeVar("Word", bound=StrEnum)


def _one_of(name: str, cells: Mapping[str, str], usual: Word) -> Word:
    text = cells.get(name, "").strip()
    words = type(usual)
    if text and text not in set(words):
        raise ValueError(f"{name}: {text!r} is none of {', '.join(words)}")
    return words(text) if text else usual


def _age(text: str) -> float:
    years = _plain("age_years", text) if text else math.nan
    if not (math.isnan(years) or 0.0 <= years <= OLDEST):
        raise ValueError(f"age_years: {text} is not between 0 and {OLDEST:g} years in service")
    return years


def _number(name: str, text: str) -> tuple[float, int]:
    censored = text.startswith("<")
    value = _plain(name, text[1:].strip() if censored else text)
    quantity = BY_NAME[name]
    if quantity.minimum is not None and value < quantity.minimum:
        raise ValueError(f"{name}: {text} {quantity.unit} is below the possible minimum {quantity.minimum:g}")
    if quantity.maximum is not None and value > quantity.maximum:
        raise ValueError(f"{name}: {text} {quantity.unit} is above the possible maximum {quantity.maximum:g}")
    return value, int(censored)


def _plain(name: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise ValueError(f"{name}: {text!r} is not a number like 41.2, or <0.5 for below a limit") from None
    if not math.isfinite(value):
        raise ValueError(
            f"{name}: {text!r} is not a finite number; leave the cell empty if it was not measured"
        )
    return value


def _time(text: str) -> datetime:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(
            f"taken_at: {text!r} is not an ISO 8601 date or time like 2026-03-01T06:00Z"
        ) from None
    return at.replace(tzinfo=UTC) if at.tzinfo is None else at.astimezone(UTC)


def _event(text: str) -> EventKind | None:
    if not text:
        return None
    if text not in set(EventKind):
        raise ValueError(f"event: {text!r} is none of {', '.join(EventKind)}")
    return EventKind(text)


def _kind(text: str) -> bool | None:
    if not text:
        return None
    if text not in set(SourceKind):
        raise ValueError(f"source_kind: {text!r} is neither laboratory nor instrument")
    return text == SourceKind.INSTRUMENT
