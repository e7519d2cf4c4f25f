"""The mail about an instrument, a site's instruments or the whole fleet's: what is known, and what to do first."""

from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

from app.domain.alerting.condition import Audience, OfInstruments
from app.domain.alerting.conditions.together import Together
from app.domain.alerting.notices import Facts, Missed
from app.domain.alerting.states import REASON_WORDS
from app.domain.alerting.steps import cautions_of, next_steps
from app.domain.writing import duration, local_time
from app.notify.content import PREFIX, Notice, Step, render
from app.services.mailing.queue_mail import Told, queue_mail
from app.store.database import Connection
from app.store.instruments import instruments
from app.store.registering import fleet


@dataclass(frozen=True, slots=True)
class NoticeNews:
    """One change of one alert about instruments."""

    told: Told
    condition: OfInstruments
    facts: Facts


def enqueue_notice(connection: Connection, news: NoticeNews, public_url: str) -> int:
    """Queue one mail a contact of the sites concerned; returns how many."""
    some = [m.instrument for m in news.facts.instruments]
    gassing = instruments.units_to_watch(connection, {one.asset_code for one in some})
    news = replace(news, facts=replace(news.facts, gassing=gassing))
    everywhere = news.condition.told is Audience.SITES
    ids = {one.watched.site for one in (some if everywhere else some[:1])}
    sites = fleet.contacts_by_site(connection, ids)
    contacts = [contact for site in sorted(sites) for contact in sites[site]]
    mail = render(compose(news, public_url))
    return queue_mail(connection, mail, contacts, news.told, news.facts.now, public_url)


def compose(news: NoticeNews, public_url: str) -> Notice:
    """Everything the mail says."""
    facts, condition = news.facts, news.condition
    said, asked = condition.said(facts), condition.steps(facts)
    together = isinstance(condition, Together)
    zone = condition.zone(facts) if isinstance(condition, Together) else facts.zone
    steps = next_steps(asked, facts.now, zone) if asked else ()
    return Notice(
        subject=f"{PREFIX} {said.subject} ({REASON_WORDS[facts.change.reason]})",
        headline=said.headline,
        what=said.what,
        facts=_where(news) if together else _of_one(facts.only, zone),
        table="The instruments" if together else "",
        columns=("Instrument", "Unit", "Last heard", "Now") if together else (),
        rows=tuple(_row(m, zone) for m in facts.instruments) if together else (),
        steps=tuple(Step(a.text, a.due.isoformat() if a.due else "", a.source) for a in steps),
        cautions=cautions_of(asked) if asked else (),
        link=f"{public_url.rstrip('/')}/alerts/{news.told.alert_id}",
        link_text="Open the alert",
    )


def _of_one(missed: Missed, zone: ZoneInfo) -> tuple[tuple[str, str], ...]:
    one, watched, absence = missed.instrument, missed.instrument.watched, missed.absence
    facts = [
        ("Instrument", f"{one.code}, {one.name}"),
        ("On unit", f"{one.asset_code} {one.asset_name}"),
        ("Where", f"{one.site_name} ({one.site_code})"),
        ("Last heard", local_time(watched.heard_at, zone) if watched.heard_at else "never"),
        (
            "Expected",
            f"every {duration(watched.interval)}{', learnt from its readings' if one.learnt else ''}",
        ),
    ]
    if absence is not None and (newest := absence.newest_taken_at):
        facts.append(("Readings", f"the newest before the silence was taken {local_time(newest, zone)}"))
    return tuple(facts)


def _where(news: NoticeNews) -> tuple[tuple[str, str], ...]:
    """The site, or all sites where more than one are concerned."""
    sites = {(m.instrument.site_name, m.instrument.site_code) for m in news.facts.instruments}
    if news.condition.told is Audience.SITES:
        return (("Sites", ", ".join(sorted(name for name, _ in sites))),)
    ((name, code),) = sites
    return (("Where", f"{name} ({code})"),)


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
