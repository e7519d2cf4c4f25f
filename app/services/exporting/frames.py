"""Tables of the record as pandas data frames: every column has one type, and a limit's sign a column of its own."""

from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from itertools import islice
from typing import Final, Literal

import numpy as np
import pandas as pd

from app.science.quantities import BY_NAME, INDEX, NORM_GASES
from app.services.exporting.export_tables import COLUMNS, Cell, Kind, Table, table_of
from app.store.database import Database
from app.store.exporting.exports import Scope

Type = Literal["number", "integer", "truth", "time", "text"]
DTYPES: Final[Mapping[Type, str]] = {
    "number": "float64",
    "integer": "Int64",
    "truth": "boolean",
    "time": "datetime64[us, UTC]",
    "text": "str",
}
_ROWS_AT_ONCE: Final = 20_000
"""Rows that are held as Python objects, which take ten times the memory of a frame."""
BELOW: Final = "_below"
"""``h2_below`` says whether the number in ``h2`` is the limit below which hydrogen lies."""
_INTEGERS: Final = {"revision", "line", "status", "severity", "gravity"}
_TRUTHS: Final = {"suspect", "doubtful"}
_PLAIN: Final = {"confidence", "age_years", "rated_kv"}
_TIMES: Final = {"taken_at", "assessed_at", "opened_at", "changed_at", "shelved_until"}


def read_frame(database: Database, kind: Kind, scope: Scope) -> pd.DataFrame:
    """A table of the record, whole, as :func:`frame_of` makes it. The record is not changed.

    Raises:
        UnknownScopeError: if the scope's asset or site is not registered.
    """
    with database.snapshot() as connection:
        table = table_of(connection, kind, scope)
        frames = [*frames_of(table, _ROWS_AT_ONCE)]
    if len(frames) < 2:
        return frames[0] if frames else frame_of(kind, [])
    whole = pd.concat(frames, ignore_index=True)
    whole.attrs.update(frames[0].attrs)
    return whole


def frames_of(table: Table, rows_at_once: int) -> Iterator[pd.DataFrame]:
    """A table in frames of so many rows, the last one shorter; none for a table without rows."""
    while rows := list(islice(table.rows, rows_at_once)):
        yield frame_of(table.kind, rows)


def frame_of(kind: Kind, rows: Iterable[tuple[Cell, ...]]) -> pd.DataFrame:
    """Rows of one kind of table as a frame.

    The columns are those of the table with ``h2_below`` and its like behind each measured quantity. ``attrs["units"]``
    holds the unit of every column that has one. What was not measured is NaN and not below anything.
    """
    given = list(rows)
    columns = dict(zip(COLUMNS[kind], zip(*given, strict=True), strict=True)) if given else {}
    data: dict[str, pd.Series] = {}
    for name in COLUMNS[kind]:
        cells = columns.get(name, ())
        if kind == "samples" and name in INDEX:
            data[name], data[name + BELOW] = _readings(cells)
        else:
            data[name] = pd.Series(list(cells), dtype=DTYPES[type_of(name)])
    return with_units(pd.DataFrame(data))


def with_units(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame itself, with the unit of every column that has one in ``attrs["units"]``."""
    frame.attrs["units"] = {name: unit for name in frame.columns if (unit := units().get(name))}
    return frame


def type_of(column: str) -> Type:
    """What a column of a table holds; measured quantities are numbers."""
    if column in _INTEGERS:
        return "integer"
    if column in _TRUTHS:
        return "truth"
    if column in _TIMES:
        return "time"
    return "number" if column in units() or column in _PLAIN else "text"


@cache
def units() -> Mapping[str, str]:
    """The unit of every column that has one, by its name."""
    per_gas = {f"delta_{gas}": BY_NAME[gas].unit for gas in NORM_GASES}
    rates = {f"rate_{gas}": f"{BY_NAME[gas].unit} per year" for gas in NORM_GASES}
    return {
        **{name: quantity.unit for name, quantity in BY_NAME.items()},
        **per_gas,
        **rates,
        "nei_oil": "kJ/kL",
    }


def _readings(cells: Iterable[Cell]) -> tuple[pd.Series, pd.Series]:
    """``<0.5`` as 0.5 and True; a float's text gives the same float again."""
    given = list(cells)
    numbers = [float(c[1:]) if isinstance(c, str) else np.nan if c is None else c for c in given]
    below = [isinstance(cell, str) for cell in given]
    return pd.Series(numbers, dtype="float64"), pd.Series(below, dtype="bool")
