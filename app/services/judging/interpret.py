"""`ullage interpret`: the engine on a plain CSV, without any database.

Columns: ``asset,taken_at`` and any quantity; optional ``age_years``, ``source_kind`` (laboratory or instrument),
``laboratory`` (which one, any text), ``event`` (a service event since the sample before, e.g. ``degassing``) and
``baseline`` (any text; where it changes in the course of an asset's samples, a new baseline starts; an empty cell is as
before).
Numbers are in the program's units; "<0.5" is a censored reading; an empty cell was not measured.
"""

import csv
import math
from array import array
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, TextIO

import numpy as np

from app.domain.alerting.advice import advice
from app.domain.findings import Assessment
from app.domain.judging.engine import Judgement, assess
from app.domain.judging.frame import Bools, SampleFrame, to_days
from app.domain.judging.report import ReportOptions, report
from app.domain.judging.verdict import verdict
from app.domain.model import Asset, EventKind, SourceKind
from app.errors import GivenError
from app.science.quantities import BY_NAME, INDEX, NAMES

KNOWN = ("asset", "taken_at", "age_years", "source_kind", "laboratory", "event", "baseline", *NAMES)
OLDEST = 200.0
"""[years] Oil-filled transformers are younger than this."""
ONLINE_INTERVAL_DAYS = 2.0
"""Without ``source_kind``, an asset sampled more often than this (median) counts as monitored on-line."""


class CsvError(GivenError):
    """The file cannot be read: ``problems`` lists every line and column at fault, with how to mend it."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


@dataclass(slots=True)
class CsvRow:
    """One row of the file; ``values`` in the order of ``NAMES``, ``below`` a mask as in the store."""

    number: int
    asset: str
    taken_at: datetime
    age: float
    online: bool | None
    laboratory: str
    event: EventKind | None
    baseline: str
    values: "array[float]"
    below: int


def interpret_csv(
    file: TextIO, progress: Callable[[int, int], None] | None = None, *, detailed: bool = True
) -> Iterator[dict[str, Any]]:
    """Interpret every row; yields one JSON-able object a row, in the order of the file.

    The rows and the columns of the judgement are held in memory (some 3 kB a row), the results are not.

    Args:
        file: text with a header line.
        progress: called with the number of rows told so far, and of all.
        detailed: trends and probabilities too, which take most of the time.

    Raises:
        CsvError: naming every faulty line; nothing is yielded then.
    """
    rows, judgement, place = judge_csv(file)
    options = ReportOptions(detailed=detailed)
    for i, row in enumerate(rows):
        yield as_object(row.number, row.asset, row.taken_at, report(judgement, place[i], options))
        if progress is not None:
            progress(i + 1, len(rows))


def as_object(number: int, asset: str, taken_at: datetime, assessment: Assessment) -> dict[str, Any]:
    """The documented form of one result: everything the engine says, the verdict in words, and what to do next."""
    steps = advice(assessment, Asset(asset, asset, ""), taken_at)
    return {
        "row": number,
        "asset": asset,
        "taken_at": taken_at.isoformat().replace("+00:00", "Z"),
        **assessment.to_json(),
        "verdict": [
            {"topic": s.topic, "text": s.text, "sources": list(s.sources)} for s in verdict(assessment)
        ],
        "urgency": steps.urgency,
        "actions": [
            {"text": a.text, "due": a.due.isoformat() if a.due else None, "source": a.source}
            for a in steps.actions
        ],
        "cautions": list(steps.cautions),
    }


def judge_csv(file: TextIO) -> tuple[list[CsvRow], Judgement, list[int]]:
    """Rows of a file, the judgement of all of them, and where each row stands in it. Raises CsvError."""
    rows = _read(file)
    judgement, place = judge_rows(rows)
    return rows, judgement, place


def judge_rows(rows: list[CsvRow]) -> tuple[Judgement, list[int]]:
    """One call of the engine for all rows; also where each row of the file stands in its frame."""
    online = _online(rows)
    baselines = _baselines(rows)
    keys = [(r.asset, baselines[i], online[i]) for i, r in enumerate(rows)]
    numbers = {key: n for n, key in enumerate(dict.fromkeys(keys))}
    series = np.array([numbers[key] for key in keys], dtype=np.int64)
    at = np.array([to_days(r.taken_at) for r in rows], dtype=np.float64)
    order = np.lexsort((at, series))
    values = np.array([r.values for r in rows], dtype=np.float64).reshape(len(rows), len(NAMES))
    mask = np.array([r.below for r in rows], dtype=np.int64)
    below = (mask[:, None] >> np.arange(len(NAMES))) & 1 == 1
    laboratories = {name: n for n, name in enumerate(dict.fromkeys(r.laboratory for r in rows))}
    frame = SampleFrame(
        series=series[order],
        at=at[order],
        values=values[order],
        below=below[order],
        age=np.array([r.age for r in rows], dtype=np.float64)[order],
        online=np.array(online, dtype=np.bool_)[order],
        oxygen_ratio=np.full(len(rows), np.nan),
        laboratory=np.array([laboratories[r.laboratory] for r in rows], dtype=np.int64)[order],
        worked=_worked(rows, baselines)[order],
        tripped=np.array([r.event is EventKind.THROUGH_FAULT for r in rows], dtype=np.bool_)[order],
        reviewed=np.array([r.event is EventKind.REVIEW for r in rows], dtype=np.bool_)[order],
    )
    place = np.empty(len(rows), dtype=np.int64)
    place[order] = np.arange(len(rows))
    return assess(frame), place.tolist()


def _baselines(rows: list[CsvRow]) -> list[int]:
    """Number of each row's baseline within its asset: work that restarts it, or a label that differs from the last."""
    numbers = [0] * len(rows)
    last: dict[str, tuple[str, int]] = {}
    for i in sorted(range(len(rows)), key=lambda i: rows[i].taken_at):
        label, number = last.get(rows[i].asset, ("", 0))
        event = rows[i].event
        if (rows[i].baseline and rows[i].baseline != label) or (
            event is not None and event.restarts_baseline
        ):
            label, number = rows[i].baseline or label, number + 1
        last[rows[i].asset] = (label, number)
        numbers[i] = number
    return numbers


def _worked(rows: list[CsvRow], baselines: list[int]) -> Bools:
    """(n,) whether each row's baseline began with work on the unit: an event says so, or a label changed."""
    first: dict[str, int] = {}
    for row, number in zip(rows, baselines, strict=True):
        # the label of an asset's first sample names its baseline and begins none
        first[row.asset] = min(first.get(row.asset, number), number)
    return np.array([n > first[r.asset] for r, n in zip(rows, baselines, strict=True)], dtype=np.bool_)


def _online(rows: list[CsvRow]) -> list[bool]:
    times: dict[str, list[datetime]] = defaultdict(list)
    for row in rows:
        times[row.asset].append(row.taken_at)
    often = {}
    for asset, taken in times.items():
        gaps = np.diff(np.sort([to_days(t) for t in taken]))
        often[asset] = len(gaps) >= 3 and float(np.median(gaps)) < ONLINE_INTERVAL_DAYS
    return [often[row.asset] if row.online is None else row.online for row in rows]


# --- reading ----------------------------------------------------------------------------------------------


def _read(file: TextIO) -> list[CsvRow]:
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
        taken_at=_time(cells["taken_at"].strip()),
        age=_age(age),
        online=_kind(cells.get("source_kind", "").strip()),
        laboratory=cells.get("laboratory", "").strip(),
        event=_event(cells.get("event", "").strip()),
        baseline=cells.get("baseline", "").strip(),
        values=values,
        below=below,
    )


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
