"""The worker's sign of life."""

from datetime import datetime

from app.store.database import Database
from app.store.health import heartbeats


def beat(database: Database, worker: str, now: datetime) -> None:
    """Note that a worker is alive; the pages and /health show how long ago that was."""
    with database.write() as connection:
        heartbeats.beat(connection, worker, now)
