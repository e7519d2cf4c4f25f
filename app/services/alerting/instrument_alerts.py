"""Alerts about instruments, sites and the fleet: the same states and events as those of compartments."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from app.domain.alerting.decisions import AlertState, Condition, Transition, stand
from app.domain.alerting.news import AlertChange
from app.domain.alerting.suppression import suppressed
from app.services.mailing.compose_notice import Missed, NoticeNews, enqueue_notice
from app.store.alerting import alerts
from app.store.alerting.alerts import StoredAlert, Subject
from app.store.database import Connection
from app.store.instruments import instruments

READINGS: frozenset[Condition] = frozenset({Condition.DATA_QUALITY, Condition.AGREEMENT})
"""The conditions that the look at an instrument's readings speaks for."""


@dataclass(frozen=True, slots=True)
class ConditionState:
    """How one condition of a subject stands: severity 0 means that there is nothing to tell."""

    severity: int
    headline: str
    since: datetime | None = None
    memory: Mapping[str, Mapping[str, Any]] | None = None
    """The rule's own counters; None leaves them."""


@dataclass(frozen=True, slots=True)
class Moved:
    """A transition that was recorded."""

    change: AlertChange
    transition: Transition


def update_alerts(
    connection: Connection,
    source_id: int,
    conditions: Mapping[str, tuple[int, str]],
    now: datetime,
    public_url: str,
    owned: Collection[Condition] = READINGS,
) -> int:
    """Say how the conditions of an instrument stand; returns how many mails were queued.

    Args:
        conditions: (severity, headline) by condition, severity 0 for nothing to tell. One of ``owned`` that is not
            named returns to normal.

    Raises:
        ValueError: a condition that is not one of ``owned``.
    """
    if unknown := set(conditions) - {c.value for c in owned}:
        raise ValueError(f"not to be told here: {', '.join(sorted(unknown))}")
    instruments.hold(connection, source_id)
    stored = alerts.of_conditions(connection, owned, source_id)
    subject = Subject(source_id=source_id)
    moved = []
    for condition in sorted(owned):
        severity, headline = conditions.get(condition.value, (0, ""))
        found = stored.get((subject, condition))
        said = ConditionState(severity, headline or _over(condition))
        if one := move(connection, subject, condition, found, said, now):
            moved.append((one, said.headline))
    mails = 0
    about = instruments.instruments(connection, now, ids=[source_id]) if moved else []
    for one, headline in moved:
        if about and not suppressed(one.transition, now, now):
            news = NoticeNews(one.change, headline, (Missed(about[0]),))
            mails += enqueue_notice(connection, news, now, public_url)
    return mails


def _over(condition: Condition) -> str:
    return "Agrees with the laboratory" if condition is Condition.AGREEMENT else "Nothing is found any more"


def move(
    connection: Connection,
    subject: Subject,
    condition: Condition,
    stored: StoredAlert | None,
    said: ConditionState,
    now: datetime,
) -> Moved | None:
    """Record how a condition stands; the transition if there is one. Nothing is stored of what was never told."""
    before = stored.state if stored else AlertState(condition)
    after, change = stand(before, said.severity, now)
    if said.memory is not None:
        after = replace(after, memory=said.memory)
    alert_id = stored.id if stored else None
    if change is None:
        if alert_id is not None and said.memory is not None and said.memory != before.memory:
            alerts.remember(connection, subject, alert_id, after, now)
            if said.severity and said.headline:
                alerts.retitle(connection, alert_id, said.headline)
        return None
    change = replace(change, after=after)
    note = alerts.EventNote(now, said.headline, since=said.since, note=said.headline)
    alert_id, event_id = alerts.append(connection, subject, alert_id, change, note)
    return Moved(change_of(alert_id, event_id, change), change)


def change_of(alert_id: int, event_id: int, change: Transition) -> AlertChange:
    """What a mail needs of a transition that was stored."""
    return AlertChange(
        alert_id=alert_id,
        event_id=event_id,
        condition=change.after.condition.value,
        reason=change.reason.value,
        from_state=change.before.state.value,
        to_state=change.after.state.value,
        severity=change.after.severity,
        previous_status=change.before.severity or None,
    )
