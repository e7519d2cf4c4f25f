"""Every table from one store into another, of either kind, row by row, with a checksum that is the same on both.

Ids are kept. Memory is bounded by :data:`AT_ONCE` rows.
"""

import hashlib
import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final

import sqlalchemy as sa

from app.errors import OutsideError
from app.store.bulk import insert_rows
from app.store.database import Connection
from app.store.partitions import make_months, month_of
from app.store.schema import metadata

AT_ONCE: Final = 1000

Tell = Callable[[str, int, int], None]
"""Called with what is being done, how much of it is done, and how much there is."""

TABLES: Final[Sequence[sa.Table]] = metadata.sorted_tables
"""Those that others refer to go first."""


class TransferError(OutsideError):
    """It cannot be copied, restored or trusted; the text says why. Nothing was changed."""


class Stage:
    """One stage of a long work: what is done adds up, and is told where somebody listens."""

    def __init__(self, tell: Tell | None, what: str, in_all: int) -> None:
        self._tell, self._what, self._in_all = tell, what, in_all
        self._done = 0
        self.add(0)

    def add(self, more: int) -> None:
        self._done += more
        if self._tell is not None:
            self._tell(self._what, self._done, self._in_all)


@dataclass(frozen=True, slots=True)
class Sum:
    """How many rows a table has and the SHA-256 of what they say, in the order of its key."""

    rows: int
    sha256: str


class Checksum:
    """Of rows as Python values: numbers, texts and times read the same from both kinds of store."""

    def __init__(self) -> None:
        self._digest = hashlib.sha256()
        self._rows = 0

    def add(self, row: Sequence[Any]) -> None:
        self._digest.update(json.dumps([_plain(v) for v in row], ensure_ascii=False).encode())
        self._digest.update(b"\n")
        self._rows += 1

    def sum(self) -> Sum:
        return Sum(self._rows, self._digest.hexdigest())


def _plain(value: Any) -> Any:
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, bytes | memoryview):
        return bytes(value).hex()
    if isinstance(value, dict | list):
        return _plain_json(value)
    return value


def _plain_json(value: Any) -> Any:
    """PostgreSQL's jsonb orders keys anew and knows one kind of number, without a negative zero."""
    if isinstance(value, dict):
        return {key: _plain_json(value[key]) for key in sorted(value)}
    if isinstance(value, list):
        return [_plain_json(v) for v in value]
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(value) + 0.0
    return value


def rows_of(connection: Connection, table: sa.Table) -> Iterator[Sequence[sa.Row[Any]]]:
    """All rows in the order of the key, some at a time."""
    query = sa.select(table).order_by(*table.primary_key.columns)
    # on a connection of its own options: what is asked later must not be streamed too
    result = connection.execute(query, execution_options={"yield_per": AT_ONCE})
    yield from result.partitions()


def sum_of(connection: Connection, table: sa.Table, stage: Stage) -> Sum:
    checksum = Checksum()
    for part in rows_of(connection, table):
        for row in part:
            checksum.add(row)
        stage.add(len(part))
    return checksum.sum()


def copy_table(source: Connection, target: Connection, table: sa.Table, stage: Stage) -> Sum:
    """Copy a table into an empty one; returns the sum of what was read."""
    columns = [column.name for column in table.columns]
    checksum = Checksum()
    for part in rows_of(source, table):
        for row in part:
            checksum.add(row)
        if table.name == "samples":
            make_months(target, {month_of(row.taken_at) for row in part if row.online})
        insert_rows(target, table, columns, part)
        stage.add(len(part))
    return checksum.sum()


def count_of(connection: Connection, table: sa.Table) -> int:
    return connection.execute(sa.select(sa.func.count()).select_from(table)).scalar_one()


def refuse_unless_empty(connection: Connection) -> None:
    """
    Raises:
        TransferError: naming a table of the schema that holds rows.
    """
    present = set(sa.inspect(connection).get_table_names())
    for table in TABLES:
        if table.name in present and connection.execute(sa.select(table).limit(1)).first() is not None:
            raise TransferError(
                f"the target is not empty: its table {table.name} holds rows. Give a new database; nothing was changed"
            )


def numbered() -> list[sa.Table]:
    """The tables whose ids PostgreSQL takes from a sequence."""
    return [table for table in TABLES if "id" in table.columns]


def last_numbers(connection: Connection) -> dict[str, int]:
    """The last id given out, by table, whether its row is there or not; those that gave none are left out."""
    found: dict[str, int] = {}
    for table in numbered():
        if connection.dialect.name == "postgresql":
            query = f"SELECT CASE WHEN is_called THEN last_value ELSE 0 END FROM {table.name}_id_seq"
            last = connection.exec_driver_sql(query).scalar_one()
        else:
            last = connection.execute(sa.select(sa.func.max(table.c.id))).scalar() or 0
        if last:
            found[table.name] = int(last)
    return found


def set_numbers(connection: Connection, last: dict[str, int]) -> None:
    """Go on numbering behind these; SQLite goes on behind the greatest id by itself."""
    if connection.dialect.name != "postgresql":
        return
    names = {table.name for table in numbered()}
    for name in names & last.keys():
        connection.exec_driver_sql("SELECT setval(%s::regclass, %s)", (f"{name}_id_seq", last[name]))
