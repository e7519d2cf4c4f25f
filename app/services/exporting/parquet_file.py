"""Tables as Parquet: every column with its type, its unit in the file. Needs pyarrow, which is an optional extra."""

import json
from typing import BinaryIO, Final

import pyarrow as pa
from pyarrow import parquet

from app.services.exporting.export_tables import Kind, Table
from app.services.exporting.frames import frame_of, frames_of

ROWS_AT_ONCE: Final = 20_000
"""Rows held in memory, and rows of a group in the file."""


def write_parquet(table: Table, out: BinaryIO) -> int:
    """Write a table; returns its number of rows."""
    schema, count = _schema(table.kind), 0
    with parquet.ParquetWriter(out, schema, compression="zstd") as writer:
        for frame in frames_of(table, ROWS_AT_ONCE):
            writer.write_table(pa.Table.from_pandas(frame, schema=schema, preserve_index=False))
            count += len(frame)
    return count


def _schema(kind: Kind) -> pa.Schema:
    """The types of a kind of table; the units for pandas (``frame.attrs``) and, at each field, for others."""
    empty = frame_of(kind, [])
    schema = pa.Schema.from_pandas(empty, preserve_index=False)
    units = empty.attrs["units"]
    fields = [f.with_metadata({"unit": units[f.name]}) if f.name in units else f for f in schema]
    return pa.schema(fields, {**schema.metadata, b"PANDAS_ATTRS": json.dumps(empty.attrs)})
