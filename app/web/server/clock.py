"""The application's clock: every endpoint reads it here, so that a test can say what time it is."""

from collections.abc import Callable
from datetime import UTC, datetime

from fastapi import Request

Clock = Callable[[], datetime]


def utc_now() -> datetime:
    """The machine's clock, aware, in UTC."""
    return datetime.now(UTC)


def now_of(request: Request) -> datetime:
    """What the application's clock says now, aware, in UTC."""
    clock: Clock = request.app.state.clock
    return clock()
