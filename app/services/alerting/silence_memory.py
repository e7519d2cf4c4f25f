"""What the watch over silence keeps in the memories of its alerts, as JSON, and back."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from app.domain.alerting.conditions.fleet_silent import FLEET_SILENT
from app.domain.alerting.states import State
from app.domain.instruments.silence import Absence, Group, Known
from app.store.alerting import alerts
from app.store.alerting.alerts import StoredAlert, Subject
from app.store.database import Connection

Memory = Mapping[str, Mapping[str, Any]]
FLEET: Final = Subject()
_QUIET: Final = {State.NORMAL, State.RETURNED}


@dataclass(frozen=True, slots=True)
class Watch:
    """When the watch looked last, and since when it has looked without a break."""

    checked_at: datetime | None = None
    since: datetime | None = None


def of_absence(absence: Absence) -> Memory:
    return {
        "silence": {
            "heard_at": absence.heard_at.isoformat(),
            "newest_taken_at": _text(absence.newest_taken_at),
            "again_at": _text(absence.again_at),
            "never": absence.never,
        }
    }


def of_group(group: Group | None, watch: Watch | None = None) -> Memory:
    """Of a site's or the fleet's alert; the fleet's keeps the watch itself as well."""
    memory: dict[str, Mapping[str, Any]] = {}
    if group is not None:
        memory["group"] = {
            "members": sorted(group.members),
            "last": group.last.isoformat(),
            "back_since": _text(group.back_since),
        }
    if watch is not None:
        memory["watch"] = {"checked_at": _text(watch.checked_at), "since": _text(watch.since)}
    return memory


def absence_of(stored: StoredAlert) -> Absence | None:
    """What was known when the silence began."""
    kept = stored.state.memory.get("silence")
    if kept is None:
        return None
    return Absence(
        datetime.fromisoformat(kept["heard_at"]),
        _time(kept["newest_taken_at"]),
        _time(kept["again_at"]),
        kept.get("never", False),
    )


def group_of(stored: StoredAlert) -> Group | None:
    """The instruments told as one, also once all are back."""
    kept = stored.state.memory.get("group")
    if kept is None:
        return None
    severity = 0 if stored.state.state in _QUIET else stored.state.severity
    last = datetime.fromisoformat(kept["last"])
    return Group(frozenset(kept["members"]), last, severity, _time(kept["back_since"]))


def read_watch(connection: Connection) -> Watch:
    """What the watch keeps of itself, in the alert of the whole fleet."""
    found = alerts.of_conditions(connection, [FLEET_SILENT], held=False).get((FLEET, FLEET_SILENT))
    return watch_of(found)


def watch_of(stored: StoredAlert | None) -> Watch:
    """The same of that alert."""
    kept = stored.state.memory.get("watch") if stored else None
    return Watch(_time(kept["checked_at"]), _time(kept["since"])) if kept else Watch()


def known(stored: Iterable[StoredAlert]) -> Known:
    """What has been told and is not over, of the alerts that the watch over silence raises."""
    absences: dict[int, Absence] = {}
    severities: dict[int, int] = {}
    groups: dict[int | None, Group] = {}
    for alert in stored:
        if alert.state.state in _QUIET:
            continue
        if alert.subject.source_id is not None:
            severities[alert.subject.source_id] = alert.state.severity
            if absence := absence_of(alert):
                absences[alert.subject.source_id] = absence
        elif group := group_of(alert):
            groups[alert.subject.site_id] = group
    return Known(absences, severities, groups)


def _text(at: datetime | None) -> str | None:
    return None if at is None else at.isoformat()


def _time(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)
