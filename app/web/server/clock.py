"""The application's clock: endpoints get its time as a dependency, so that a test can say what time it is."""

from collections.abc import Callable
from datetime import UTC, datetime

Clock = Callable[[], datetime]


def utc_now() -> datetime:
    """The machine's clock, aware, in UTC."""
    return datetime.now(UTC)
