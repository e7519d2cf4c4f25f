"""Alert decisions: previous state + what a sample shows -> transitions, each with an enumerated reason.

A subject has one alert per condition, for ever; its events are its history.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any, Final

from app.domain.alerting.condition import Condition
from app.domain.alerting.shown import Evidence
from app.domain.alerting.states import Change, Reason, State
from app.domain.judging.course.states import STEPS_UP

ONLINE_IN_A_ROW_TO_WORSEN = 2
"""On-line readings in a row before an alert is raised or gets worse (common practice, no source)."""
ONLINE_IN_A_ROW_TO_EASE = 12
"""On-line readings in a row before it eases or returns: two days of 4-hourly readings (likewise)."""
INSTRUMENT_MEMORY: Final = timedelta(days=30)
"""What an instrument said counts this long after its last word, when others speak (common practice, no source); what it
was alarmed about counts on until an act is recorded, or for :data:`YEAR`."""
YEAR: Final = timedelta(days=365)
"""What an instrument was alarmed about counts so long after it was last shown (the guide: a year without gassing)."""


@dataclass(frozen=True, slots=True)
class AlertState:
    """One alert as it stands. ``memory`` holds what each source last said and how often in a row.

    ``shelved_severity`` is how severe it was when it was shelved: a shelf holds up to that.
    """

    condition: Condition
    state: State = State.NORMAL
    severity: int = 0
    fault: str | None = None
    memory: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    shelved_until: datetime | None = None
    shelved_severity: int = 0


@dataclass(frozen=True, slots=True)
class Transition:
    """One change of one alert."""

    condition: Condition
    reason: Reason
    before: AlertState
    after: AlertState
    steps: tuple[str, ...] = ()
    """Of the course of the unit, with the sample that made it."""

    @property
    def change(self) -> Change:
        """What words need of it."""
        return Change(self.reason, self.after.severity, self.before.severity or None, self.steps)


LABORATORIES: Final = ":laboratories"
"""The one voice of all laboratories; no source can have this code."""


def decide(previous: AlertState, shown: Evidence, now: datetime) -> tuple[AlertState, Transition | None]:
    """The alert after a sample, and the transition if there is one.

    Several sources may speak for one compartment: the alert is as severe as the worst of them. A shelf holds until
    its end, also while the alert returns and comes back, unless it gets worse than it was when it was shelved.
    """
    memory = {
        name: said
        for name, said in previous.memory.items()
        if name == shown.source or not _stale(said, shown)
    }
    memory[shown.source] = _remember(memory.get(shown.source), shown)
    believed = [m for m in memory.values() if m["severity"] > 0]
    severity = max((m["severity"] for m in believed), default=0)
    fault = next((m["fault"] for m in believed if m["severity"] == severity and m["fault"]), None)
    if not previous.memory and severity == 0 and not memory[shown.source]["count"]:
        return previous, None
    news = _new_steps(previous.memory.get(shown.source), shown)
    if news and shown.at is not None:
        told = [*_told_at(previous.memory.get(shown.source), shown), *news]
        memory[shown.source] = {**memory[shown.source], "stepped_at": shown.at.isoformat(), "stepped": told}
    after, moved = _moved(previous, replace(previous, memory=memory), severity, fault, now, news)
    return after, moved


def _told_at(memory: Mapping[str, Any] | None, shown: Evidence) -> Sequence[str]:
    """The steps told of the time of this sample."""
    same = memory and shown.at is not None and memory.get("stepped_at") == shown.at.isoformat()
    return memory.get("stepped", ()) if memory and same else ()


def _new_steps(memory: Mapping[str, Any] | None, shown: Evidence) -> tuple[str, ...]:
    """The steps of a sample that were not told before: a corrected one, or an older one that speaks again, tells none
    twice."""
    last = (memory or {}).get("stepped_at")
    if shown.at is None or (last is not None and shown.at < datetime.fromisoformat(last)):
        return ()
    told = _told_at(memory, shown)
    return tuple(step for step in shown.steps if step not in told)


def stand(previous: AlertState, severity: int, now: datetime) -> tuple[AlertState, Transition | None]:
    """The alert of an instrument or site whose condition stands at ``severity`` (0: no longer), and the transition.

    What is told of those is decided before: nothing here waits for it to be said so often.
    """
    return _moved(previous, previous, severity, None, now)


def _moved(
    previous: AlertState,
    after: AlertState,
    severity: int,
    fault: str | None,
    now: datetime,
    steps: tuple[str, ...] = (),
) -> tuple[AlertState, Transition | None]:
    reason = _reason(previous, severity, fault, now) or _step(previous, severity, steps)
    if reason is None:
        return after, None
    shelf = previous.shelved_until is not None and previous.shelved_until > now
    after = replace(
        after, severity=severity, fault=fault, state=_next_state(previous, severity, reason, shelf)
    )
    if not shelf or severity > _shelved_at(previous):
        after = replace(after, shelved_until=None, shelved_severity=0)
    return after, Transition(previous.condition, reason, previous, after, steps)


def _step(previous: AlertState, severity: int, steps: tuple[str, ...]) -> Reason | None:
    """A step of the course at the same severity."""
    if not severity or previous.state in {State.NORMAL, State.RETURNED} or not steps:
        return None
    return Reason.STEPPED_UP if STEPS_UP & set(steps) else Reason.STEPPED_DOWN


def _shelved_at(state: AlertState) -> int:
    return max(state.shelved_severity, state.severity if state.state is State.SHELVED else 0)


def unshelve(previous: AlertState, now: datetime) -> Transition | None:
    """The end of a shelf, by time alone; None while it holds."""
    if previous.state is not State.SHELVED or previous.shelved_until is None or previous.shelved_until > now:
        return None
    after = replace(previous, state=State.UNACKNOWLEDGED, shelved_until=None, shelved_severity=0)
    return Transition(previous.condition, Reason.UNSHELVED, previous, after)


def _stale(said: Mapping[str, Any], shown: Evidence) -> bool:
    """Whether a source has been silent so long that it holds no alert open any more; laboratories do."""
    if shown.at is None or not said.get("online") or said.get("at") is None:
        return False
    last = datetime.fromisoformat(said["at"])
    if said["severity"] and said.get("shown_at") and not (shown.acted_at and shown.acted_at >= last):
        return shown.at - last > YEAR
    return shown.at - last > INSTRUMENT_MEMORY


_NOTHING: Final = {"severity": 0, "fault": None, "candidate": 0, "count": 0}


def _remember(memory: Mapping[str, Any] | None, shown: Evidence) -> dict[str, Any]:
    """What a source is believed to say: a laboratory at once, an instrument after so many in a row."""
    old: dict[str, Any] = dict(memory or _NOTHING)
    covers = shown.judged is None or set(old.get("gases", ())) <= shown.judged
    if shown.severity < old["severity"] and not covers:
        return old  # what raised the alert was not measured: nothing is known to have eased
    kept: dict[str, Any] = {key: old[key] for key in ("stepped_at", "stepped") if key in old}
    said: dict[str, Any] = {
        "severity": shown.severity,
        "fault": shown.fault,
        "candidate": 0,
        "count": 0,
        **kept,
    }
    if shown.severity:
        said["gases"] = list(shown.gases)
    if not shown.online:
        return said
    at = shown.at.isoformat() if shown.at else None
    said |= {"online": True, "at": at}
    if shown.severity and shown.left:
        said |= {"returns": _returns(old, shown), "levels": _levels(old, shown), "shown_at": at}
    if at is not None and old["count"] and old.get("at") == at:
        return old  # a corrected reading is not a second one in a row
    if shown.severity == old["severity"]:
        return _same_severity(old, shown, said)
    old = {**old, "fallen": old.get("fallen", 0) + 1 if _fallen(old, shown) else 0}
    worse = shown.severity > old["severity"]
    same_way = old["count"] > 0 and (old["candidate"] > old["severity"]) == worse
    count = old["count"] + 1 if same_way else 1
    # of the readings in a row, the one nearest to what is believed now is what all of them show
    candidate = shown.severity
    if same_way:
        candidate = min(candidate, old["candidate"]) if worse else max(candidate, old["candidate"])
    if count >= (ONLINE_IN_A_ROW_TO_WORSEN if worse else ONLINE_IN_A_ROW_TO_EASE):
        if worse or not shown.left or not old.get("shown_at") or _let_go(old, shown):
            anew = candidate and shown.left and not worse
            fresh = {"returns": _returns({}, shown), "levels": _levels({}, shown)} if anew else {}
            return said | {"severity": candidate} | fresh
        least = max(candidate, _held(old, shown))
        if least < old["severity"] and old["fallen"] >= ONLINE_IN_A_ROW_TO_EASE:
            return _eased(old, least) | {"at": at} if least else {**said, "severity": 0}
    return {**old, "candidate": candidate, "count": count, "online": True, "at": at}


def _returns(old: Mapping[str, Any], shown: Evidence) -> dict[str, dict[str, float]]:
    """By severity and gas, what it must fall back to; the lowest that was ever asked, since references catch up."""
    found = {severity: dict(gases) for severity, gases in old.get("returns", {}).items()}
    for severity, gases in shown.returns.items():
        known = found.setdefault(str(severity), {})
        for gas, limit in gases.items():
            known[gas] = min(limit, known.get(gas, limit))
    return found


def _levels(old: Mapping[str, Any], shown: Evidence) -> dict[str, list[str]]:
    """By severity, the gases whose level raised it at any time."""
    before = old.get("levels", {})
    return {str(s): sorted({*before.get(str(s), ()), *gases}) for s, gases in shown.levels.items()}


def _eased(old: Mapping[str, Any], severity: int) -> dict[str, Any]:
    """What had raised it above a severity has fallen back."""
    kept = {
        key: {s: gases for s, gases in old[key].items() if int(s) <= severity}
        for key in ("returns", "levels")
    }
    return {**old, **kept, "severity": severity, "candidate": 0, "count": 0, "fallen": 0}


def _held(old: Mapping[str, Any], shown: Evidence) -> int:
    """The severity at which some gas has not fallen back; 0 where all have."""
    for severity in range(old["severity"], 0, -1):
        left = shown.left.get(severity, {})
        limits = [*old["returns"].get(str(severity), {}).items()]
        limits += [(gas, left.get(gas, -math.inf)) for gas in old["levels"].get(str(severity), ())]
        if any(not shown.readings.get(gas, math.inf) <= limit for gas, limit in limits):
            return severity
    return 0


def _fallen(old: Mapping[str, Any], shown: Evidence) -> bool:
    """Whether what raised the severity that is believed has fallen back."""
    return "returns" in old and _held(old, shown) < old["severity"]


def _let_go(old: Mapping[str, Any], shown: Evidence) -> bool:
    """Whether it may ease though the gas is there: an act is on record since it was last shown, or a year passed."""
    if old.get("shown_at") is None or shown.at is None:
        return True
    last = datetime.fromisoformat(old["shown_at"])
    return (shown.acted_at is not None and shown.acted_at >= last) or shown.at - last >= YEAR


def _same_severity(old: dict[str, Any], shown: Evidence, said: dict[str, Any]) -> dict[str, Any]:
    """A pattern on the edge of two zones flips from reading to reading: another fault counts after so many in a row."""
    if not shown.severity:
        return dict(_NOTHING)
    if shown.fault is None or shown.fault == old["fault"] or old["fault"] is None:
        return said | {"fault": shown.fault or old["fault"]}
    again = old.get("next_fault") == shown.fault
    in_a_row = old.get("next_count", 0) + 1 if again else 1
    if in_a_row >= ONLINE_IN_A_ROW_TO_EASE:
        return said
    return said | {"fault": old["fault"], "next_fault": shown.fault, "next_count": in_a_row}


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


def _next_state(previous: AlertState, severity: int, reason: Reason, shelf: bool) -> State:
    """An acknowledgement ends when the alert returns or gets worse; a shelf when it ends or things get worse."""
    if reason is Reason.RETURNED:
        unseen = previous.state in {State.UNACKNOWLEDGED, State.RETURNED}
        return State.RETURNED if unseen else State.NORMAL
    if shelf and severity <= _shelved_at(previous):
        return State.SHELVED
    if reason in {Reason.EASED, Reason.STEPPED_DOWN} and previous.state is not State.SHELVED:
        return previous.state
    return State.UNACKNOWLEDGED
