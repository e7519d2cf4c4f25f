"""Many rows in one go: COPY on PostgreSQL, one prepared statement on SQLite; and rows that replace others."""

from collections.abc import Sequence
from functools import cache
from typing import Any

import psycopg
import sqlalchemy as sa
from psycopg.types.json import Jsonb
from sqlalchemy.dialects import postgresql, sqlite

from app.store.database import Connection, UtcDateTime

COPY_FROM = 20
"""Rows from which COPY is quicker than an INSERT."""

_COPY_TYPES: dict[type[Any], str] = {
    sa.BigInteger: "int8",
    sa.Integer: "int4",
    sa.Boolean: "bool",
    sa.Text: "text",
    sa.Double: "float8",
    sa.Date: "date",
    UtcDateTime: "timestamptz",
    sa.JSON: "jsonb",
}


def insert_rows(
    connection: Connection, table: sa.Table, columns: Sequence[str], rows: Sequence[Sequence[Any]]
) -> None:
    """Insert rows of values in the order of ``columns``; the others get NULL or their default."""
    if connection.dialect.name == "postgresql" and len(rows) >= COPY_FROM:
        _copy(connection, table, columns, rows)
    elif rows:
        statement = _insert(table, tuple(columns))
        connection.execute(statement, [dict(zip(columns, row, strict=True)) for row in rows])


@cache
def _insert(table: sa.Table, columns: tuple[str, ...]) -> sa.Insert:
    return sa.insert(table).values({name: sa.bindparam(name) for name in columns})


def _copy(
    connection: Connection, table: sa.Table, columns: Sequence[str], rows: Sequence[Sequence[Any]]
) -> None:
    types = [_copy_type(table.c[name]) for name in columns]
    json = [i for i, kind in enumerate(types) if kind == "jsonb"]
    names = psycopg.sql.SQL(", ").join(psycopg.sql.Identifier(name) for name in columns)
    command = psycopg.sql.SQL("COPY {} ({}) FROM STDIN (FORMAT BINARY)").format(
        psycopg.sql.Identifier(table.name), names
    )
    driver: psycopg.Connection[Any] = connection.connection.driver_connection  # type: ignore[assignment]
    with driver.cursor() as cursor, cursor.copy(command) as copy:
        copy.set_types(types)
        for row in rows:
            if any(row[i] is not None for i in json):
                row = [Jsonb(v) if i in json and v is not None else v for i, v in enumerate(row)]
            copy.write_row(row)


def _copy_type(column: sa.Column[Any]) -> str:
    for kind in type(column.type).__mro__:
        if kind in _COPY_TYPES:
            return _COPY_TYPES[kind]
    raise TypeError(f"no COPY type is known for {column}")


def upsert_rows(
    connection: Connection, table: sa.Table, columns: Sequence[str], rows: Sequence[Sequence[Any]]
) -> None:
    """Insert rows; one with the primary key of a stored row takes its place."""
    if rows:
        statement = _upsert(connection.dialect.name, table, tuple(columns))
        connection.execute(statement, [dict(zip(columns, row, strict=True)) for row in rows])


@cache
def _upsert(dialect: str, table: sa.Table, columns: tuple[str, ...]) -> sa.Insert:
    new = (postgresql if dialect == "postgresql" else sqlite).insert(table)
    new = new.values({name: sa.bindparam(name) for name in columns})
    key = [column.name for column in table.primary_key]
    found: sa.Insert = new.on_conflict_do_update(
        index_elements=key, set_={name: new.excluded[name] for name in columns if name not in key}
    )
    return found
