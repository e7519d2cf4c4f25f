"""Alert decisions: previous state + what a sample shows -> transitions, each with an enumerated reason.

States after ANSI/ISA-18.2: ``normal``, ``unacknowledged``, ``acknowledged``, ``returned`` (to normal, not yet
acknowledged) and ``shelved``. A compartment has one alert per condition, for ever; its events are its history.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import StrEnum
from typing import Any

from app.domain.findings import Assessment


class Condition(StrEnum):
    GASSING = "gassing"
    CONFIRMATION = "confirmation"


class State(StrEnum):
    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"
    SHELVED = "shelved"


class Reason(StrEnum):
    """Why an alert changed."""

    RAISED = "raised"
    WORSENED = "worsened"
    FAULT_CHANGED = "fault_changed"
    EASED = "eased"
    RETURNED = "returned"
    ACKNOWLEDGED = "acknowledged"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"


ONLINE_IN_A_ROW_TO_WORSEN = 2
"""On-line readings in a row before an alert is raised or gets worse (common practice, no source)."""
ONLINE_IN_A_ROW_TO_EASE = 12
"""On-line readings in a row before it eases or returns: two days of 4-hourly readings (likewise)."""


@dataclass(frozen=True, slots=True)
class AlertState:
    """One alert as it stands. ``memory`` holds what each source last said and how often in a row."""

    condition: Condition
    state: State = State.NORMAL
    severity: int = 0
    fault: str | None = None
    memory: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    shelved_until: datetime | None = None


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a sample shows about a condition: ``severity`` 0 when there is nothing to tell."""

    source: str
    online: bool
    severity: int
    fault: str | None = None


@dataclass(frozen=True, slots=True)
class Transition:
    """One change of one alert."""

    condition: Condition
    reason: Reason
    before: AlertState
    after: AlertState


def evidence(assessment: Assessment, source: str, *, online: bool) -> dict[Condition, Evidence]:
    """What an assessment says about each condition.

    A suspect sample raises "confirmation", and counts for "gassing" with no more than its levels alone say:
    it is judged, but its change is not believed yet. A doubtful one neither raises nor clears "gassing".
    """
    status = assessment.status or 0
    if assessment.suspect:
        status = _status_of_levels(assessment)
    fault = assessment.fault.code if assessment.fault and status >= 2 else None
    found = {}
    if not assessment.doubtful:
        found[Condition.GASSING] = Evidence(source, online, status if status >= 2 else 0, fault)
    if not online:
        severity = max(2, assessment.status or 0) if assessment.suspect else 0
        found[Condition.CONFIRMATION] = Evidence(source, online, severity)
    return found


def _status_of_levels(assessment: Assessment) -> int:
    return max((int(f.severity) for f in assessment.findings if f.rule == "level"), default=1)


def decide(previous: AlertState, shown: Evidence, now: datetime) -> tuple[AlertState, Transition | None]:
    """The alert after a sample, and the transition if there is one.

    Several sources may speak for one compartment: the alert is as severe as the worst of them. A shelved
    alert keeps its shelf until ``shelved_until``, unless it gets worse.
    """
    memory = dict(previous.memory)
    memory[shown.source] = _remember(memory.get(shown.source), shown)
    believed = [m for m in memory.values() if m["severity"] > 0]
    severity = max((m["severity"] for m in believed), default=0)
    fault = next((m["fault"] for m in believed if m["severity"] == severity and m["fault"]), None)
    if not previous.memory and severity == 0 and not memory[shown.source]["count"]:
        return previous, None
    after = replace(previous, memory=memory)
    reason = _reason(previous, severity, fault, now)
    if reason is None:
        return after, None
    after = replace(
        after,
        severity=severity,
        fault=fault,
        state=_next_state(previous, reason, now),
        shelved_until=previous.shelved_until if previous.state is State.SHELVED and severity else None,
    )
    if after.state is not State.SHELVED:
        after = replace(after, shelved_until=None)
    return after, Transition(previous.condition, reason, previous, after)


def _remember(memory: Mapping[str, Any] | None, shown: Evidence) -> dict[str, Any]:
    """What a source is believed to say: a laboratory at once, an instrument after so many in a row."""
    old: dict[str, Any] = dict(memory or {"severity": 0, "fault": None, "candidate": 0, "count": 0})
    if not shown.online:
        return {"severity": shown.severity, "fault": shown.fault, "candidate": 0, "count": 0}
    if shown.severity == old["severity"]:
        return {**old, "fault": shown.fault or old["fault"], "candidate": 0, "count": 0}
    worse = shown.severity > old["severity"]
    same_way = old["count"] > 0 and (old["candidate"] > old["severity"]) == worse
    count = old["count"] + 1 if same_way else 1
    # of the readings in a row, the one nearest to what is believed now is what all of them show
    candidate = shown.severity
    if same_way:
        candidate = min(candidate, old["candidate"]) if worse else max(candidate, old["candidate"])
    if count >= (ONLINE_IN_A_ROW_TO_WORSEN if worse else ONLINE_IN_A_ROW_TO_EASE):
        return {"severity": candidate, "fault": shown.fault, "candidate": 0, "count": 0}
    return {**old, "candidate": candidate, "count": count}


def _reason(previous: AlertState, severity: int, fault: str | None, now: datetime) -> Reason | None:
    active = previous.state not in {State.NORMAL, State.RETURNED}
    if severity and not active:
        return Reason.RAISED
    if active and severity == 0:
        return Reason.RETURNED
    if severity > previous.severity:
        return Reason.WORSENED
    if active and severity < previous.severity:
        return Reason.EASED
    if active and fault and previous.fault and fault != previous.fault:
        return Reason.FAULT_CHANGED
    if previous.state is State.SHELVED and previous.shelved_until and previous.shelved_until <= now:
        return Reason.UNSHELVED
    return None


def _next_state(previous: AlertState, reason: Reason, now: datetime) -> State:
    """An acknowledgement ends when the alert returns or gets worse; a shelf when it ends or things get worse."""
    if reason is Reason.RETURNED:
        unseen = previous.state in {State.UNACKNOWLEDGED, State.RETURNED}
        return State.RETURNED if unseen else State.NORMAL
    if reason in {Reason.RAISED, Reason.WORSENED, Reason.UNSHELVED}:
        return State.UNACKNOWLEDGED
    if previous.state is State.SHELVED and previous.shelved_until and previous.shelved_until <= now:
        return State.UNACKNOWLEDGED
    return State.UNACKNOWLEDGED if reason is Reason.FAULT_CHANGED else previous.state
