"""A CSV as a typed data frame: every cell is read as text first, so that nothing is guessed."""

from collections.abc import Callable
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from app.intake.escaping import unescaped
from app.science.quantities import INDEX
from app.services.exporting.export_tables import Kind
from app.services.exporting.frames import BELOW, type_of, with_units
from app.services.judging.interpret_rows import CsvError

_NEEDED: Final = ("asset", "taken_at")
_TRUTHS: Final = {"true": True, "false": False}
_MOST_PROBLEMS: Final = 50


def read_table(kind: Kind, path: Path) -> pd.DataFrame:
    """A file of samples or assessments, as :mod:`app.services.exporting.frames` types an export of it.

    Numbers keep every digit, ``<0.5`` is 0.5 and below, an empty cell was not measured, a time without a zone is UTC.
    Columns that no export has stay text.

    Raises:
        FileNotFoundError: there is no such file.
        CsvError: it is no CSV, lacks a column, or has rows that end early or cells that are no numbers or times.
    """
    text, problems = _cells(path)
    data: dict[str, pd.Series] = {}
    for name in text.columns:
        cells = text[name].str.strip()
        if kind == "samples" and name in INDEX:
            data[name] = _numbers(name, cells.str.removeprefix("<"), problems)
            data[name + BELOW] = cells.str.startswith("<").astype(bool)
        else:
            data[name] = _READERS[type_of(name)](name, cells, problems)
    if problems:
        raise CsvError(problems[:_MOST_PROBLEMS])
    return with_units(pd.DataFrame(data))


def _cells(path: Path) -> tuple[pd.DataFrame, list[str]]:
    """The file as text under its headers, rows without any cell left out; and which rows end early."""
    try:
        # only the engine in Python tells a cell that is not there from one that is empty
        lines = pd.read_csv(
            path, header=None, dtype=str, keep_default_na=False, encoding="utf-8-sig", engine="python"
        )
    except (pd.errors.ParserError, pd.errors.EmptyDataError, UnicodeDecodeError) as error:
        raise CsvError([f"{path.name} cannot be read as CSV in UTF-8: {error}"]) from None
    header = [str(name).strip().lower() for name in lines.iloc[0].fillna("")]
    problems = [f"{path.name}: the column {n!r} is missing" for n in _NEEDED if n not in header]
    problems += [
        f"{path.name}: the column {n!r} stands twice" for n in sorted(set(header)) if header.count(n) > 1
    ]
    if problems:
        raise CsvError(problems)
    text = lines.iloc[1:].set_axis(header, axis="columns")
    text = text[(text.fillna("") != "").any(axis="columns")].reset_index(drop=True)
    ends_early = np.flatnonzero(text.isna().any(axis="columns").to_numpy())
    return text.fillna(""), [f"row {row + 1}: has fewer cells than the header" for row in ends_early]


def _numbers(name: str, cells: pd.Series, problems: list[str]) -> pd.Series:
    """Parsed by Python, to the last digit; pandas' own reader may be off by one in it."""
    return _parsed(name, cells, problems, float, "a number like 41.2, or <0.5 for below a limit")


def _integers(name: str, cells: pd.Series, problems: list[str]) -> pd.Series:
    return _parsed(name, cells, problems, int, "a whole number").astype("Int64")


def _truths(name: str, cells: pd.Series, problems: list[str]) -> pd.Series:
    return _parsed(name, cells, problems, _TRUTHS.__getitem__, "true or false").astype("boolean")


def _times(name: str, cells: pd.Series, problems: list[str]) -> pd.Series:
    times = pd.to_datetime(cells.replace("", None), format="ISO8601", utc=True, errors="coerce")
    for row in np.flatnonzero((times.isna() & (cells != "")).to_numpy()):
        problems.append(
            f"row {row + 1}: {name}: {cells.iloc[row]!r} is no ISO 8601 time like 2026-03-01T06:00Z"
        )
    return times.astype("datetime64[us, UTC]")


def _texts(_name: str, cells: pd.Series, _problems: list[str]) -> pd.Series:
    return cells.map(unescaped).replace("", None).astype("str")


def _parsed(
    name: str, cells: pd.Series, problems: list[str], parse: Callable[[str], float], wanted: str
) -> pd.Series:
    found: list[float | None] = []
    for row, text in enumerate(cells, start=1):
        try:
            found.append(parse(text) if text else None)
        except (ValueError, KeyError):
            problems.append(f"row {row}: {name}: {text!r} is not {wanted}")
            found.append(None)
    return pd.Series(found, index=cells.index, dtype="float64" if parse is float else "object")


_READERS: Final = {
    "number": _numbers,
    "integer": _integers,
    "truth": _truths,
    "time": _times,
    "text": _texts,
}
