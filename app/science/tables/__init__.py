"""Published limits, vertices and coefficients as data files; every row says where it was read.

A file is CSV with a header. Four columns are in every row: ``source``, ``edition``, ``clause`` and
``provenance`` (one of :data:`PROVENANCES`); a row without one of them is refused when the file is read.
"""

import csv
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Final

from app.errors import GivenError

__all__ = ["PROVENANCES", "TableError", "cited", "parse", "rows"]

PROVENANCES: Final = ("standard", "paper", "common practice", "from memory")
"""Kinds of source, the strongest first. A page that shows a ``from memory`` result says so."""

_NO_EDITION: Final = ("none", "not stated")
_CITATION: Final = ("source", "edition", "clause", "provenance")


class TableError(GivenError, ValueError):
    """A data file is missing, malformed, or has a row that does not say where it was read."""


@cache
def rows(name: str) -> tuple[dict[str, str], ...]:
    """Rows of ``tables/<name>.csv``, read once.

    Args:
        name: file name without ``.csv``.

    Returns:
        One dictionary per row, column name to text, in file order.

    Raises:
        TableError: if there is no such table, or a row lacks part of its citation.
    """
    resource = files(__name__).joinpath(f"{name}.csv")
    if not resource.is_file():
        raise TableError(f"there is no table {name!r} in app/science/tables")
    return parse(resource.read_text(encoding="utf-8"), f"{name}.csv")


def parse(text: str, filename: str) -> tuple[dict[str, str], ...]:
    """Rows of a table's text; ``filename`` is for the error message only.

    Raises:
        TableError: naming the file, the line and what to mend.
    """
    reader = csv.DictReader(text.splitlines())
    header = reader.fieldnames or []
    missing = [c for c in _CITATION if c not in header]
    if missing:
        raise TableError(f"{filename} line 1: no column {', '.join(missing)}; every table cites its rows")
    found = []
    for row in reader:
        where = f"{filename} line {reader.line_num}"
        if None in row or None in row.values():
            raise TableError(f"{where}: {len(header)} cells were expected; quote cells that hold a comma")
        for column in _CITATION:
            if not row[column].strip():
                raise TableError(f"{where}: {column} is empty; say where the row was read")
        if row["provenance"] not in PROVENANCES:
            raise TableError(
                f"{where}: provenance is {row['provenance']!r}; it must be one of {', '.join(PROVENANCES)}"
            )
        found.append(dict(row))
    return tuple(found)


def cited(row: Mapping[str, str]) -> str:
    """Where a row was read: ``IEEE C57.104-2019, 6.1.2``; without an edition ``common practice, no source``."""
    edition = "" if row["edition"] in _NO_EDITION else f"-{row['edition']}"
    return f"{row['source']}{edition}, {row['clause']}"
