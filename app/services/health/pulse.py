"""Is the mail worker running, and does mail get out? Shown on every page and on /health."""

from dataclasses import dataclass
from datetime import datetime

from app.store.database import Database
from app.store.pages.view_mail import traffic

ALIVE_SECONDS = 60.0
"""A worker writes a heartbeat each turn, every second or so; a minute's silence is not a slow turn."""
LATE_SECONDS = 600.0
"""A mail that has waited this long is worth a warning (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Pulse:
    """The worker's sign of life and the state of the outbox."""

    heartbeat_age_seconds: float | None
    """None: no worker has ever run."""
    queued: int
    oldest_unsent_age_seconds: float | None
    failed: int
    sent: int

    @property
    def alive(self) -> bool:
        return self.heartbeat_age_seconds is not None and self.heartbeat_age_seconds <= ALIVE_SECONDS

    @property
    def late(self) -> bool:
        return self.oldest_unsent_age_seconds is not None and self.oldest_unsent_age_seconds > LATE_SECONDS


def read_pulse(database: Database, now: datetime) -> Pulse:
    """One small query pair; cheap enough for every page."""
    with database.read() as connection:
        seen = traffic(connection)

    def age(at: datetime | None) -> float | None:
        return None if at is None else max(0.0, (now - at).total_seconds())

    return Pulse(
        heartbeat_age_seconds=age(seen.heartbeat_at),
        queued=seen.queued,
        oldest_unsent_age_seconds=age(seen.oldest_queued_at),
        failed=seen.failed,
        sent=seen.sent,
    )
