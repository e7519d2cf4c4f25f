"""The worker's pulse: "no alerts came" most often means that the sender was not running."""

from datetime import datetime

import sqlalchemy as sa

from app.store.database import Connection
from app.store.schema import heartbeats


def beat(connection: Connection, worker: str, now: datetime) -> None:
    """Note that a worker is alive."""
    updated = connection.execute(sa.update(heartbeats).where(heartbeats.c.worker == worker).values(at=now))
    if updated.rowcount == 0:
        connection.execute(sa.insert(heartbeats).values(worker=worker, at=now))
