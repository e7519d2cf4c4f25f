"""Suppression: small stages that say why a change that was recorded is not mailed. The order is the list's."""

from collections.abc import Callable
from datetime import datetime, timedelta
from enum import StrEnum

from app.domain.alerting.decisions import Transition
from app.domain.alerting.states import State

OLD_NEWS = timedelta(days=400)
"""A sample older than this says nothing urgent: a yearly sample and a month of grace (common practice)."""


class Suppressed(StrEnum):
    SHELVED = "shelved"
    OLD_NEWS = "old_news"


Stage = Callable[[Transition, datetime, datetime], Suppressed | None]


def shelved(change: Transition, _taken_at: datetime, _now: datetime) -> Suppressed | None:
    """A shelved alert is recorded, not sent."""
    return Suppressed.SHELVED if change.after.state is State.SHELVED else None


def old_news(_change: Transition, taken_at: datetime, now: datetime) -> Suppressed | None:
    """A history that is loaded late raises no mail about long ago."""
    return Suppressed.OLD_NEWS if now - taken_at > OLD_NEWS else None


STAGES: tuple[Stage, ...] = (shelved, old_news)


def suppressed(change: Transition, taken_at: datetime, now: datetime) -> Suppressed | None:
    """The first stage that holds a mail back, or None when it goes out."""
    return next((s for stage in STAGES if (s := stage(change, taken_at, now)) is not None), None)
