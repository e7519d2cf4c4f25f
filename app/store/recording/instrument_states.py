"""What is known of each instrument at every post: when it was heard, and whether its stored readings changed."""

import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from app.store.bulk import upsert_rows
from app.store.database import Connection
from app.store.schema import instrument_states


@dataclass(frozen=True, slots=True)
class Heard:
    """When the newest sample that ever came of an instrument was taken, and the token of its stored readings."""

    newest: datetime
    token: int


def newest_heard(connection: Connection, source_ids: Sequence[int]) -> dict[int, Heard]:
    """By source id; none of an instrument that was never heard."""
    query = sa.select(
        instrument_states.c.source_id, instrument_states.c.newest_taken_at, instrument_states.c.token
    ).where(instrument_states.c.source_id.in_(source_ids))
    return {row[0]: Heard(row[1], row[2]) for row in connection.execute(query)}


def new_token() -> int:
    """One that no other change has."""
    return secrets.randbits(63)


def touch(connection: Connection, source_id: int) -> None:
    """Stored readings of an instrument have changed: nobody may go on what was remembered of them."""
    connection.execute(
        sa.update(instrument_states)
        .where(instrument_states.c.source_id == source_id)
        .values(token=new_token())
    )


def heard(connection: Connection, states: Mapping[int, tuple[datetime, datetime, int]]) -> None:
    """Note by source id when it was heard, the time of the newest sample it ever sent, and the new token."""
    columns = ("source_id", "heard_at", "newest_taken_at", "token")
    upsert_rows(connection, instrument_states, columns, [(i, *state) for i, state in states.items()])
