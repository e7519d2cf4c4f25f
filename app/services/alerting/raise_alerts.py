"""What new assessments do to the alerts of a compartment, and which of it is mailed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from app.domain.alerting.condition import Condition, OfSamples
from app.domain.alerting.conditions.gassing import steps_in_words
from app.domain.alerting.decisions import AlertState, Transition, decide
from app.domain.alerting.news import AlertNews, SampleChange
from app.domain.alerting.states import Change, Reason, State
from app.domain.alerting.suppression import suppressed
from app.domain.judging.course.states import STEPS_UP
from app.domain.model import Asset, Source
from app.services.judging.evidence import SampleEvidence
from app.services.judging.online_courses import with_online_course
from app.services.mailing.compose_alert_mail import enqueue_alert_mail
from app.store.alerting import alerts
from app.store.database import Connection


@dataclass(frozen=True, slots=True)
class News:
    """Where the samples come from and where a mail about them leads."""

    compartment_id: int
    source: Source
    asset: Asset
    public_url: str
    again: str | None = None
    """Why stored samples were judged again; nobody is mailed then, and an alert only eases or returns."""


@dataclass(slots=True)
class _Episode:
    """What one batch did to one alert: from the first state to the last."""

    alert_id: int
    event_id: int
    condition: OfSamples
    first: AlertState
    last: Transition
    said: SampleEvidence
    steps: tuple[str, ...]


@dataclass(slots=True)
class _Course:
    """One alert while a batch speaks to it: as it stands now, and as it is stored."""

    state: AlertState
    stored: AlertState
    alert_id: int | None = None


def raise_alerts(
    connection: Connection,
    news: News,
    speaking: Sequence[SampleEvidence],
    now: datetime,
    stored: Mapping[tuple[int, Condition], alerts.StoredAlert] | None = None,
) -> None:
    """Let samples speak to the alerts in time order; mail once about what the whole batch changed.

    Every transition is recorded. A mail goes out for the newest sample that changed something, and tells
    the difference between the state before the batch and after it: a history that rose and fell says nothing.

    Args:
        stored: the alerts of the compartment as :func:`app.store.alerting.alerts.states_of` reads them; None to read
        them here.
    """
    if not speaking:
        return
    if stored is None:
        stored = alerts.states_of(connection, [news.compartment_id])
    subject = alerts.Subject(news.compartment_id)
    courses = {
        c: _Course(a.state, a.state, a.id) for (own, c), a in stored.items() if own == news.compartment_id
    }
    episodes: dict[Condition, _Episode] = {}
    for sample in speaking:
        for condition, shown in sample.evidence.items():
            new = AlertState(condition)
            course = courses.setdefault(condition, _Course(new, new))
            before = course.state
            after, change = decide(before, shown, now)
            if change and news.again and change.reason not in _MILDER:
                continue  # what is worse than was known is for the next sample to say, by mail
            course.state = after
            if change is None:
                continue
            headline = condition.headline(sample.assess())
            told = news.again or steps_in_words(change.steps).removeprefix(": ")
            note = alerts.EventNote(now, headline, sample.sample_id, sample.taken_at, note=told)
            course.alert_id, event_id = alerts.append(connection, subject, course.alert_id, change, note)
            course.stored = change.after
            known = episodes.get(condition)
            first, steps = (known.first, known.steps) if known else (before, ())
            steps += tuple(step for step in change.steps if step not in steps)
            episodes[condition] = _Episode(course.alert_id, event_id, condition, first, change, sample, steps)
    for course in courses.values():  # counters that moved without a transition, or after the last one
        if course.state.memory != course.stored.memory:
            alerts.remember(connection, subject, course.alert_id, course.state, now)
    if news.again is None:
        _mail(connection, news, list(episodes.values()), now)


def _mail(connection: Connection, news: News, episodes: list[_Episode], now: datetime) -> None:
    changes, newest = [], None
    for episode in episodes:
        reason = _net_reason(episode)
        if reason is None or suppressed(episode.last, episode.said.taken_at, now):
            continue
        changes.append(
            SampleChange(
                episode.alert_id,
                episode.event_id,
                episode.condition,
                Change(
                    reason, episode.last.after.severity, episode.first.severity or 1, _told(episode, reason)
                ),
            )
        )
        if newest is None or episode.said.taken_at > newest.taken_at:
            newest = episode.said
    if newest is None:
        return
    enqueue_alert_mail(
        connection,
        AlertNews(
            sample_id=newest.sample_id,
            compartment_id=news.compartment_id,
            taken_at=newest.taken_at,
            source_name=news.source.name,
            changes=tuple(changes),
            assessment=with_online_course(connection, newest.sample_id, newest.assess()),
        ),
        now,
        news.public_url,
    )


def _net_reason(episode: _Episode) -> Reason | None:
    """The reason of the whole episode, or None when it ends as it began."""
    quiet = {State.NORMAL, State.RETURNED}
    before, after = episode.first, episode.last.after
    if before.state in quiet and after.state in quiet:
        return None
    if before.state in quiet:
        return Reason.RAISED
    if after.state in quiet:
        return Reason.RETURNED
    if after.severity > before.severity:
        return Reason.WORSENED
    if after.severity < before.severity:
        return Reason.EASED
    if STEPS_UP & set(episode.steps):
        return Reason.STEPPED_UP
    if after.fault != before.fault:
        return Reason.FAULT_CHANGED
    return Reason.STEPPED_DOWN if episode.steps else None


def _told(episode: _Episode, reason: Reason) -> tuple[str, ...]:
    """The steps that go with the reason: a mail about what is better names none up, and the other way round."""
    down = reason in _MILDER
    return tuple(step for step in episode.steps if (step in STEPS_UP) is not down)


_MILDER: Final = frozenset({Reason.EASED, Reason.RETURNED, Reason.STEPPED_DOWN})
