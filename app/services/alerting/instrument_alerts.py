"""Alerts about instruments, sites and the fleet: the same states and events as those of compartments."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from app.domain.alerting.condition import OfInstruments, OfReadings
from app.domain.alerting.conditions.registry import OF_READINGS
from app.domain.alerting.decisions import AlertState, Transition, stand
from app.domain.alerting.notices import Facts, Missed
from app.domain.alerting.suppression import suppressed
from app.services.mailing.compose_notice import NoticeNews, enqueue_notice
from app.services.mailing.queue_mail import Told
from app.store.alerting import alerts
from app.store.alerting.alerts import StoredAlert, Subject
from app.store.database import Connection
from app.store.instruments import instruments


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
    """A transition that was recorded, and what the alert then says."""

    told: Told
    transition: Transition
    headline: str


def update_alerts(
    connection: Connection,
    source_id: int,
    seen: Mapping[OfReadings, tuple[int, str]],
    now: datetime,
    public_url: str,
) -> int:
    """Say how the conditions stand that readings speak for; returns how many mails were queued.

    Args:
        seen: (severity, headline) by condition, severity 0 for nothing to tell. One not named returns to normal.

    Raises:
        ValueError: a condition that readings do not speak for.
    """
    if unknown := [c.name for c in seen if c not in OF_READINGS]:
        raise ValueError(f"not to be told here: {', '.join(sorted(unknown))}")
    instruments.hold(connection, source_id)
    stored = alerts.of_conditions(connection, OF_READINGS, source_id)
    subject = Subject(source_id=source_id)
    moved = []
    for condition in OF_READINGS:
        severity, headline = seen.get(condition, (0, ""))
        said = ConditionState(severity, headline or condition.over)
        if one := move(connection, subject, condition, stored.get((subject, condition)), said, now):
            moved.append((condition, one))
    mails = 0
    about = instruments.instruments(connection, now, ids=[source_id]) if moved else []
    for condition, one in moved:
        if about and not suppressed(one.transition, now, now):
            facts = Facts(one.transition.change, one.headline, (Missed(about[0]),), now)
            mails += enqueue_notice(connection, NoticeNews(one.told, condition, facts), public_url)
    return mails


def move(
    connection: Connection,
    subject: Subject,
    condition: OfInstruments,
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
    return Moved(Told(alert_id, event_id), change, said.headline)
