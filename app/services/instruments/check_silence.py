"""The watch over silence: looks at all instruments, records what changed, mails each change once.

One transaction, one worker at a time: several workers may look at once, and each change is told by one of them.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from app.domain.alerting.condition import Condition, OfInstruments
from app.domain.alerting.conditions.fleet_silent import FLEET_SILENT
from app.domain.alerting.conditions.registry import OF_SILENCE
from app.domain.alerting.conditions.silent import SILENT
from app.domain.alerting.conditions.site_silent import SITE_SILENT
from app.domain.alerting.conditions.together import Together
from app.domain.alerting.decisions import AlertState
from app.domain.alerting.notices import Facts, Missed
from app.domain.alerting.suppression import suppressed
from app.domain.instruments.silence import Group, Picture, SilenceRule, listening_since, look
from app.services.alerting import silence_memory as memory
from app.services.alerting.instrument_alerts import ConditionState, Moved, move
from app.services.mailing.compose_notice import NoticeNews, enqueue_notice
from app.store.alerting import alerts
from app.store.alerting.alerts import StoredAlert, Subject
from app.store.database import Connection, Database, try_alone
from app.store.instruments import instruments

FAR_AHEAD: Final = timedelta(days=1)
"""A time of hearing further ahead than this was noted by a clock that was wrong."""


def check_silence(database: Database, now: datetime, rule: SilenceRule, public_url: str) -> int:
    """Look once; returns how many alerts changed. Nothing is done while another worker is at it."""
    with database.write() as connection:
        if not try_alone(connection, alerts.WATCH):
            return 0
        instruments.put_back_times_ahead(connection, now + FAR_AHEAD, now)
        return _Check(connection, now, rule, public_url).run()


@dataclass(frozen=True, slots=True)
class _Change:
    key: int | None
    """Of a single one its own id, else the site's; None: the fleet."""
    condition: OfInstruments
    moved: Moved


class _Check:
    """One look, with what it needs all the way."""

    def __init__(self, connection: Connection, now: datetime, rule: SilenceRule, public_url: str) -> None:
        self.connection, self.now, self.rule, self.public_url = connection, now, rule, public_url
        self.stored = alerts.of_conditions(connection, OF_SILENCE)
        self.instruments = {one.id: one for one in instruments.instruments(connection, now)}
        self.known = memory.known(self.stored.values())

    def run(self) -> int:
        before = memory.watch_of(self._alert(memory.FLEET, FLEET_SILENT))
        since = listening_since(before.checked_at, before.since, self.now, self.rule)
        watched = [one.watched for one in self.instruments.values()]
        picture = look(watched, self.known, self.now, self.rule, since)
        singles = list(self._singles(picture))
        groups = list(self._groups(picture, memory.Watch(self.now, since)))
        covered = _members(self.known.groups.values()) | _members(picture.groups.values())
        whole = {g.get(None) for g in (self.known.groups, picture.groups)} - {None}
        for change in groups:
            if change.key is None or not self._is_within(change.key, whole, picture):
                self._mail_group(change, picture)
        for change in singles:
            if change.key not in covered:
                self._mail(change, (self._missed(change.key, picture),))
        return len(groups) + len(singles)

    # --- what is recorded ---------------------------------------------------------------------------------

    def _singles(self, picture: Picture) -> Iterable[_Change]:
        for source_id in sorted(picture.severities.keys() | picture.absences.keys()):
            severity = picture.severities.get(source_id, self.known.severities.get(source_id, 0))
            absence = picture.absences.get(source_id)
            subject = Subject(source_id=source_id)
            headline = SILENT.headline(self.instruments[source_id], severity, absence, self.now)
            said = ConditionState(
                severity,
                headline,
                absence.heard_at if absence else None,
                memory.of_absence(absence) if absence else None,
            )
            stored = self._alert(subject, SILENT)
            if moved := move(self.connection, subject, SILENT, stored, said, self.now):
                yield _Change(source_id, SILENT, moved)

    def _groups(self, picture: Picture, watch: memory.Watch) -> Iterable[_Change]:
        for key in sorted({*picture.groups, None}, key=lambda k: (k is not None, k or 0)):
            group = picture.groups.get(key)
            subject = Subject(site_id=key)
            condition: Together = FLEET_SILENT if key is None else SITE_SILENT
            stored = self._alert(subject, condition)
            kept = memory.of_group(group, watch if key is None else None)
            if (
                stored is None and group is None
            ):  # the fleet's keeps the watch even when nothing was ever told
                alerts.remember(
                    self.connection,
                    subject,
                    None,
                    AlertState(condition, memory=kept),
                    self.now,
                )
                continue
            headline = self._group_headline(condition, group, self.known.groups.get(key))
            said = ConditionState(
                group.severity if group else 0, headline, group.last if group else None, kept
            )
            if moved := move(self.connection, subject, condition, stored, said, self.now):
                yield _Change(key, condition, moved)

    def _alert(self, subject: Subject, condition: Condition) -> StoredAlert | None:
        return self.stored.get((subject, condition))

    def _group_headline(self, condition: Together, group: Group | None, before: Group | None) -> str:
        if group is None:
            return ""
        codes = sorted(self.instruments[i].code for i in group.members if i in self.instruments)
        return condition.headline(group, before, codes, self._zone(group))

    def _zone(self, group: Group) -> ZoneInfo:
        zones = {self.instruments[i].time_zone for i in group.members if i in self.instruments}
        return ZoneInfo(zones.pop() if len(zones) == 1 else "UTC")

    # --- what is mailed -----------------------------------------------------------------------------------

    def _is_within(self, site: int, whole: Iterable[Group | None], picture: Picture) -> bool:
        """Whether the fleet's mail tells of a site."""
        group = picture.groups.get(site) or self.known.groups[site]
        return any(group.members & fleet.members for fleet in whole if fleet)

    def _mail_group(self, change: _Change, picture: Picture) -> None:
        now = picture.groups[change.key]
        before = self.known.groups.get(change.key)
        everyone = now.members | (before.members if before else frozenset())
        missed = (self._missed(i, picture, now) for i in sorted(everyone) if i in self.instruments)
        self._mail(change, tuple(missed))

    def _missed(self, source_id: int | None, picture: Picture, group: Group | None = None) -> Missed:
        assert source_id is not None
        one = self.instruments[source_id]
        absence = picture.absences.get(source_id) or self.known.absences.get(source_id)
        if group is None:
            back = not picture.severities.get(source_id, 1)
        else:
            back = not group.severity or source_id not in group.members
        missed = Missed(one, absence, back)
        again = one.watched.heard_at
        if not back or absence is None or again is None:
            return missed
        after = min(absence.newest_taken_at or absence.heard_at, absence.heard_at)
        came = instruments.readings_taken(self.connection, source_id, after, again - one.watched.interval / 2)
        return Missed(one, absence, back, came)

    def _mail(self, change: _Change, missed: tuple[Missed, ...]) -> None:
        if suppressed(change.moved.transition, self.now, self.now) or not missed:
            return
        facts = Facts(change.moved.transition.change, change.moved.headline, missed, self.now, self.rule)
        enqueue_notice(
            self.connection, NoticeNews(change.moved.told, change.condition, facts), self.public_url
        )


def _members(groups: Iterable[Group]) -> frozenset[int]:
    return frozenset().union(*(group.members for group in groups))
