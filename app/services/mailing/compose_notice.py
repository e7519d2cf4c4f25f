"""The mail about an instrument, a site's instruments or the whole fleet's: what is known, and what to do first."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from app.domain.alerting.decisions import Condition, Reason
from app.domain.alerting.news import AlertChange
from app.domain.instruments.silence import Absence, SilenceRule
from app.notify.content import PREFIX, Notice, Step, render
from app.services.mailing import notice_steps
from app.services.mailing.compose_alert_mail import REASONS
from app.services.mailing.queue_mail import Told, local_time, queue_mail
from app.store.database import Connection
from app.store.instruments import instruments
from app.store.instruments.instruments import Instrument
from app.store.registering import fleet


@dataclass(frozen=True, slots=True)
class Missed:
    """One instrument of a notice. ``absence``: of what was known when it fell silent; None: it did not."""

    instrument: Instrument
    absence: Absence | None = None
    back: bool = False
    came: int = 0
    """Readings of the time of its silence that are here."""

    @property
    def expected(self) -> int:
        """Readings that were due in the time of its silence."""
        again = self.instrument.watched.heard_at
        if self.absence is None or self.absence.never or again is None:
            return 0
        return max(int((again - self.absence.heard_at) / self.instrument.watched.interval) - 1, 0)


@dataclass(frozen=True, slots=True)
class NoticeNews:
    """One change of one alert about instruments: a single one, those of a site, or of the whole fleet."""

    change: AlertChange
    headline: str
    """As it stands in the list of alerts."""
    instruments: tuple[Missed, ...]
    rule: SilenceRule = field(default_factory=SilenceRule)

    @property
    def condition(self) -> Condition:
        return Condition(self.change.condition)

    @property
    def reason(self) -> Reason:
        return Reason(self.change.reason)

    @property
    def partly(self) -> bool:
        """Of a group: some are back, some are not."""
        return self.change.severity == 1


def enqueue_notice(connection: Connection, news: NoticeNews, now: datetime, public_url: str) -> int:
    """Queue one mail a contact of the sites concerned; returns how many."""
    codes = [m.instrument.asset_code for m in news.instruments]
    gassing = instruments.units_gassing(connection, codes)
    mail = render(compose(news, tuple(gassing), now, public_url))
    sites = fleet.contacts_by_site(connection, {m.instrument.watched.site for m in news.instruments})
    contacts = [contact for site in sorted(sites) for contact in sites[site]]
    return queue_mail(
        connection, mail, contacts, Told(news.change.alert_id, news.change.event_id), now, public_url
    )


def compose(news: NoticeNews, gassing: Sequence[str], now: datetime, public_url: str) -> Notice:
    """Everything the mail says; ``gassing`` are the units with an open gassing alert."""
    if news.condition in {Condition.SITE_SILENT, Condition.FLEET_SILENT}:
        return _of_group(news, gassing, now, public_url)
    return _of_one(news, gassing, now, public_url)


def _cautions(news: NoticeNews, steps: Sequence[Step]) -> tuple[str, ...]:
    group = news.condition in {Condition.SITE_SILENT, Condition.FLEET_SILENT}
    readings = news.condition in {Condition.DATA_QUALITY, Condition.AGREEMENT}
    severity = 2 if group or readings else news.change.severity
    return notice_steps.cautions_of(news.reason, severity) if steps else ()


def duration(span: timedelta) -> str:
    """``45 min``, ``13 h 5 min``, ``3 days 4 h``."""
    minutes = max(int(span.total_seconds() // 60), 0)
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return f"{minutes // 60} h {minutes % 60} min".removesuffix(" 0 min")
    return f"{minutes // 1440} days {minutes % 1440 // 60} h".removesuffix(" 0 h")


def _of_one(news: NoticeNews, gassing: Sequence[str], now: datetime, public_url: str) -> Notice:
    (missed,) = news.instruments
    one = missed.instrument
    zone = ZoneInfo(one.time_zone)
    silent = news.condition is Condition.SILENT
    said = _silence(news, missed, now, zone) if silent else _readings(news, one)
    headline, what = said
    steps = _steps_of_one(news, missed, gassing, now, zone)
    return Notice(
        subject=f"{PREFIX} {one.asset_code}: instrument {one.code} {headline}{_why(news.reason)}",
        headline=f"Instrument {one.code} {headline}",
        what=what,
        facts=_facts(one, missed.absence, zone),
        table="",
        columns=(),
        rows=(),
        steps=steps,
        cautions=_cautions(news, steps),
        link=f"{public_url.rstrip('/')}/alerts/{news.change.alert_id}",
        link_text="Open the alert",
    )


def _why(reason: Reason) -> str:
    return f" ({REASONS[reason]})"


def _silence(news: NoticeNews, missed: Missed, now: datetime, zone: ZoneInfo) -> tuple[str, str]:
    """(short, what is known)."""
    one = missed.instrument
    if missed.absence is not None and missed.absence.never:
        return _never_heard(news, one, missed.absence.heard_at, now, zone)
    last = missed.absence.heard_at if missed.absence else (one.watched.heard_at or now)
    if news.reason is Reason.RETURNED:
        again = one.watched.heard_at or now
        long = duration(again - last)
        return (
            f"is heard again after {long}",
            f"It was silent for {long}, from {local_time(last, zone)} to {local_time(again, zone)}. {_backlog(missed)}",
        )
    word = "is silent" if news.change.severity >= 2 else "is late"
    return word, (
        f"Its last post came {local_time(last, zone)}, {duration(now - last)} ago; one is expected every"
        f" {duration(one.watched.interval)}. Until it is heard again it does not watch {one.asset_code}."
        " This says nothing about the unit itself, neither good nor bad."
    )


def _never_heard(
    news: NoticeNews, one: Instrument, since: datetime, now: datetime, zone: ZoneInfo
) -> tuple[str, str]:
    """As :func:`_silence`, of one that has never posted."""
    heard_at = one.watched.heard_at
    if news.reason is not Reason.RETURNED:
        return "was never heard", (
            f"It has a key since {local_time(since, zone)}, {duration(now - since)} ago, and no post of it was ever"
            f" taken; one is expected every {duration(one.watched.interval)}. It does not watch {one.asset_code}"
            " yet. This says nothing about the unit itself, neither good nor bad."
        )
    if heard_at is None:
        return "is not waited for any more", "It was never heard, and it has no valid key any more."
    return "is heard for the first time", (
        f"Its first post came {local_time(heard_at, zone)}, {duration(heard_at - since)} after it was first waited for."
    )


def _backlog(missed: Missed) -> str:
    expected, came = missed.expected, missed.came
    if not expected:
        return "No reading was due in that time."
    if came >= expected:
        return f"The readings of that time have come in: {came} of about {expected}."
    if came:
        return f"Of about {expected} readings of that time {came} have come in so far."
    return f"Of the readings of that time, about {expected}, none has come in so far."


def _readings(news: NoticeNews, one: Instrument) -> tuple[str, str]:
    agreement = news.condition is Condition.AGREEMENT
    if news.reason is Reason.RETURNED:
        if agreement:
            return "agrees with the laboratory again", "Its readings are within the band again."
        return "reads as it should again", "What was found about its readings is over."
    short = "disagrees with the laboratory" if agreement else "gives readings in doubt"
    grave = " A rise of the gas might not be seen on-line." if news.change.severity >= 2 else ""
    text = news.headline[:1].upper() + news.headline[1:].removesuffix(".")
    return short, (
        f"{text}.{grave} This is about the instrument; alerts about {one.asset_code} stand as they stood."
    )


def _facts(one: Instrument, absence: Absence | None, zone: ZoneInfo) -> tuple[tuple[str, str], ...]:
    watched = one.watched
    newest = absence.newest_taken_at if absence else watched.newest_taken_at
    heard_at = watched.heard_at
    facts = [
        ("Instrument", f"{one.code}, {one.name}"),
        ("On unit", f"{one.asset_code} {one.asset_name}"),
        ("Where", f"{one.site_name} ({one.site_code})"),
        ("Last heard", local_time(heard_at, zone) if heard_at else "never"),
        (
            "Expected",
            f"every {duration(watched.interval)}{', learnt from its readings' if one.learnt else ''}",
        ),
    ]
    if newest:
        facts.append(("Readings", f"the newest before the silence was taken {local_time(newest, zone)}"))
    return tuple(facts if absence else facts[:-1] if newest else facts)


def _steps_of_one(
    news: NoticeNews, missed: Missed, gassing: Sequence[str], now: datetime, zone: ZoneInfo
) -> tuple[Step, ...]:
    one = missed.instrument
    if news.condition is not Condition.SILENT:
        return notice_steps.steps_about_readings(
            news.condition, news.reason, news.change.severity, one.asset_code, now, one.time_zone
        )
    if news.reason is Reason.RETURNED:
        return notice_steps.steps_when_back(missed.expected - missed.came, now, one.time_zone)
    if missed.absence is not None and missed.absence.never:
        return notice_steps.steps_when_never_heard(one.asset_code, now, one.time_zone)
    if news.change.severity < 2 and one.watched.heard_at:
        at = one.watched.heard_at + max(
            news.rule.silent_intervals * one.watched.interval + news.rule.grace, news.rule.least
        )
        return notice_steps.steps_when_late(local_time(at, zone))
    return notice_steps.steps_when_silent([one.asset_code], gassing, now, one.time_zone)


# --- a site, the fleet ------------------------------------------------------------------------------------


def _of_group(news: NoticeNews, gassing: Sequence[str], now: datetime, public_url: str) -> Notice:
    fleet_wide = news.condition is Condition.FLEET_SILENT
    first = news.instruments[0].instrument
    zone_name = "UTC" if fleet_wide else first.time_zone
    zone = ZoneInfo(zone_name)
    sites = sorted({m.instrument.site_name for m in news.instruments})
    place = "Whole fleet" if fleet_wide else first.site_name
    gone = [m for m in news.instruments if not m.back]
    steps: tuple[Step, ...]
    if news.reason is Reason.RETURNED:
        missing = sum(max(m.expected - m.came, 0) for m in news.instruments)
        steps = notice_steps.steps_when_back(missing, now, zone_name)
    elif news.partly:
        units = sorted({m.instrument.asset_code for m in gone})
        steps = notice_steps.steps_when_silent(units, [u for u in units if u in gassing], now, zone_name)
    elif fleet_wide:
        steps = notice_steps.steps_when_fleet_silent(now, zone_name)
    else:
        steps = notice_steps.steps_when_site_silent(gassing, now, zone_name)
    short, what = _group_words(news, gone, now, zone)
    return Notice(
        subject=f"{PREFIX} {place}: {short}{_why(news.reason)}",
        headline=f"{place}: {short}",
        what=what,
        facts=(("Sites", ", ".join(sites)),)
        if fleet_wide
        else (("Where", f"{first.site_name} ({first.site_code})"),),
        table="The instruments",
        columns=("Instrument", "Unit", "Last heard", "Now"),
        rows=tuple(_row(m, zone) for m in news.instruments),
        steps=steps,
        cautions=_cautions(news, steps),
        link=f"{public_url.rstrip('/')}/alerts/{news.change.alert_id}",
        link_text="Open the alert",
    )


def _group_words(news: NoticeNews, gone: Sequence[Missed], now: datetime, zone: ZoneInfo) -> tuple[str, str]:
    count = len(news.instruments)
    last = max((_last(m, now) for m in news.instruments), default=now)
    if news.reason is Reason.RETURNED:
        expected, came = sum(m.expected for m in news.instruments), sum(m.came for m in news.instruments)
        again = max(m.instrument.watched.heard_at or now for m in news.instruments)
        return f"all {count} instruments are heard again", (
            f"They were silent from {local_time(last, zone)} on; the last of them is heard again since"
            f" {local_time(again, zone)}. Of about {expected} readings of that time {came} have come in so far."
        )
    if news.partly:
        return f"{count - len(gone)} of {count} instruments are heard again", (
            f"Still silent: {', '.join(m.instrument.code for m in gone)}. The others had time to come back; what is"
            " left is told here and not one by one."
        )
    verb = "fell silent together"
    return f"{count} instruments {verb}", (
        f"Since {local_time(last, zone)} none of them has been heard; what they share is more likely at fault than each"
        " of them. Until they are heard again they do not watch their units; this says nothing about the units"
        " themselves, neither good nor bad. Those that join or come back are told together, not one by one."
    )


def _last(missed: Missed, now: datetime) -> datetime:
    return missed.absence.heard_at if missed.absence else (missed.instrument.watched.heard_at or now)


def _row(missed: Missed, zone: ZoneInfo) -> tuple[str, ...]:
    one = missed.instrument
    heard_at = one.watched.heard_at
    state = "heard again" if missed.back else "silent"
    if missed.back and missed.expected:
        state += f", {missed.came} of about {missed.expected} readings came"
    return (
        one.code,
        f"{one.asset_code} {one.asset_name}",
        local_time(heard_at, zone) if heard_at else "never",
        state,
    )
