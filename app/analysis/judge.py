"""The engine on a data frame."""

from datetime import datetime
from pathlib import Path
from typing import Any, Final

import pandas as pd

from app.analysis.csv_file import read_table
from app.domain.findings import Assessment
from app.domain.judging.report import ReportOptions, report
from app.domain.judging.verdict import verdict
from app.domain.model import SourceKind
from app.science.quantities import INDEX
from app.services.exporting.export_tables import SAID_COLUMNS, said_of
from app.services.exporting.frames import BELOW, DTYPES, type_of, with_units
from app.services.judging.interpret import judge_rows
from app.services.judging.interpret_rows import KNOWN, CsvError, CsvRow, row_of

_PLACES: Final = ("asset", "compartment", "source", "taken_at")


def interpret(samples: pd.DataFrame | str | Path, *, detailed: bool = True) -> pd.DataFrame:
    """What the engine says of samples, without a database: one row a sample, in the order and with the index given.

    The norms are those of IEEE C57.104-2019; what is no main tank of mineral oil by ``compartment_kind`` and ``liquid``
    is judged against its own record. Compartments and instruments are series of their own where the columns
    ``compartment``, ``source`` and ``source_kind`` tell them apart; another laboratory as ``source`` splits a trend.

    Args:
        samples: as :func:`app.analysis.samples` gives them, or any frame with ``asset``, ``taken_at`` (a time, or text
            after ISO 8601; without a zone it is UTC) and quantities in the program's units. A limit is a number with
            True in ``h2_below``, or text like ``<0.5``. The other columns of ``ullage interpret`` may be there. Or the
            path of a CSV with such columns.
        detailed: trends and probabilities too, which take most of the time.

    Returns:
        ``asset``, ``compartment``, ``source`` and ``taken_at`` where given, then ``status`` to ``norm_set`` as in an
        export of assessments, and ``verdict``, its sentences.

    Raises:
        FileNotFoundError: there is no such file.
        CsvError: naming every faulty row.
    """
    frame = samples if isinstance(samples, pd.DataFrame) else read_table("samples", Path(samples))
    judgement, place = judge_rows(_rows(frame))
    options = ReportOptions(detailed=detailed)
    said = [_said(report(judgement, i, options)) for i in place]
    cells = dict(zip((*SAID_COLUMNS, "verdict"), zip(*said, strict=True), strict=True)) if said else {}
    found = frame[[name for name in _PLACES if name in frame]].copy()
    for name in (*SAID_COLUMNS, "verdict"):
        found[name] = pd.Series(list(cells.get(name, ())), index=frame.index, dtype=DTYPES[type_of(name)])
    return with_units(found)


def _said(assessment: Assessment) -> tuple[Any, ...]:
    return (*said_of(assessment), " ".join(sentence.text for sentence in verdict(assessment)))


def _rows(frame: pd.DataFrame) -> list[CsvRow]:
    """The rows of a frame, checked as those of a file are."""
    missing = [name for name in ("asset", "taken_at") if name not in frame]
    problems = [f"the column {name!r} is missing" for name in missing]
    problems += [
        f"the column {name!r} must be written {name.strip().lower()!r}"
        for name in map(str, frame)
        if name not in INDEX and name.strip().lower() in INDEX
    ]
    if problems:
        raise CsvError(problems)
    wanted = [name for name in frame if name in (*KNOWN, "source")]
    columns = {str(name): [_cell(value) for value in frame[name]] for name in wanted}
    for name in INDEX:
        if name in columns and name + BELOW in frame:
            marks = frame[name + BELOW].fillna(False)
            columns[name] = [f"<{c}" if m and c else c for c, m in zip(columns[name], marks, strict=True)]
    _tell_apart(columns)
    rows: list[CsvRow] = []
    for number, cells in enumerate(zip(*columns.values(), strict=True), start=1):
        try:
            rows.append(row_of(number, dict(zip(columns, cells, strict=True))))
        except ValueError as error:
            problems.append(f"row {number}: {error}")
    if problems:
        raise CsvError(problems)
    return rows


def _tell_apart(columns: dict[str, list[str]]) -> None:
    """Make each instrument a series of its own, and a laboratory's source the laboratory where none is named."""
    sources = columns.pop("source", None)
    if sources is None:
        return
    blank = [""] * len(sources)
    online = [kind == SourceKind.INSTRUMENT for kind in columns.get("source_kind", blank)]
    assets, named = columns["asset"], columns.get("laboratory", blank)
    columns["asset"] = [
        f"{asset}\n{source}" if measured and asset.strip() else asset
        for asset, source, measured in zip(assets, sources, online, strict=True)
    ]
    columns["laboratory"] = [
        name or ("" if measured else source)
        for name, source, measured in zip(named, sources, online, strict=True)
    ]


def _cell(value: Any) -> str:
    if isinstance(value, str):
        return value
    if pd.isna(value):
        return ""
    if isinstance(value, datetime):
        return value.isoformat()
    return repr(float(value)) if isinstance(value, int | float) else str(value)
