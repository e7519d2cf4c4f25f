"""The mail about what one sample changed: gathers the facts, writes it, queues it for every contact of the site."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from app.domain.alerting.advice import NOTHING_KNOWN, UnitFacts, advice
from app.domain.alerting.conditions.gassing import reason_words
from app.domain.alerting.news import AlertNews
from app.domain.findings import PRACTICE, Assessment, Finding
from app.domain.judging.reporting.sentences import compared_with
from app.domain.judging.status_words import STATUS_SOURCE
from app.domain.judging.verdict import beside, doubts, reasons
from app.domain.model import Asset, LadderStep
from app.domain.writing import chance, local_time, signed, written
from app.notify.content import PREFIX, MailContent, Step, Why, render
from app.science.quantities import BY_NAME
from app.services.mailing.queue_mail import Told, queue_mail
from app.store.alerting import alerts
from app.store.database import Connection
from app.store.pages.unit_facts import unit_facts
from app.store.registering import fleet
from app.store.registering.fleet import CompartmentContext
from app.store.registering.limits import ladder


@dataclass(frozen=True, slots=True)
class KnownUnit:
    """What next steps rest on beside the sample: the owner's own steps, and what is known of the unit."""

    ladder: Sequence[LadderStep] = ()
    facts: UnitFacts = NOTHING_KNOWN


def enqueue_alert_mail(connection: Connection, news: AlertNews, now: datetime, public_url: str) -> int:
    """Queue one mail a contact of the site; returns how many. A repeat for the same event queues none."""
    context = fleet.compartment_context(connection, [news.compartment_id])[news.compartment_id]
    first = news.changes[0]
    opened = alerts.opened_at(connection, first.alert_id)
    unit = KnownUnit(ladder(connection), unit_facts(connection, [news.compartment_id])[news.compartment_id])
    mail = render(compose(news, context, opened, public_url, unit))
    told = Told(first.alert_id, first.event_id, news.sample_id)
    return queue_mail(connection, mail, context.contacts, told, now, public_url)


def compose(
    news: AlertNews,
    context: CompartmentContext,
    opened_at: datetime,
    public_url: str,
    unit_known: KnownUnit | None = None,
) -> MailContent:
    """Everything the mail says."""
    known = unit_known or KnownUnit()
    assessment, asset = news.assessment, context.asset
    zone = ZoneInfo(context.site.time_zone)
    first = news.changes[0]
    headline = first.condition.subject_line(assessment)
    reason = first.change.reason
    why_now = "" if reason in first.condition.says_itself else f" ({reason_words(first.change)})"
    unit = f"{asset.code} {asset.name}, {context.compartment.name}"
    steps = advice(assessment, asset, news.taken_at, known.ladder, known.facts)
    return MailContent(
        subject=f"{PREFIX} {asset.code} {context.compartment.name}: {headline}{why_now}",
        headline=headline[:1].upper() + headline[1:],
        what=" ".join(one.condition.sentence(one.change, assessment) for one in news.changes),
        unit=unit,
        place=f"{context.site.name} ({context.site.code})",
        nameplate=nameplate(asset),
        sample=f"taken {local_time(news.taken_at, zone)} by {news.source_name}",
        since=local_time(opened_at, zone),
        course=" ".join(assessment.course.why) if assessment.course else "",
        fault=f"{assessment.fault.code}, {assessment.fault.name}" if assessment.fault else "",
        how_sure=_how_sure(assessment),
        why=_why(assessment),
        compared_with=compared_with(online=assessment.online),
        changes=tuple(_deltas(assessment)),
        steps=tuple(Step(a.text, a.due.isoformat() if a.due else "", a.source) for a in steps.actions),
        cautions=steps.cautions,
        link=f"{public_url.rstrip('/')}/assets/{asset.code}",
        rule_set=assessment.rule_set,
    )


def nameplate(asset: Asset) -> str:
    """One line of what is written on the unit."""
    parts = [
        asset.kind.value,
        f"{asset.rated_kv:g} kV" if asset.rated_kv else None,
        f"{asset.rated_mva:g} MVA" if asset.rated_mva else None,
        f"energized {asset.year_energized}" if asset.year_energized else None,
        f"{written(asset.oil_volume_l, 6)} L of oil" if asset.oil_volume_l else None,
        asset.preservation.value.replace("_", " ") if asset.preservation.value != "unknown" else None,
        f"serial {asset.serial}" if asset.serial else None,
    ]
    return ", ".join(p for p in parts if p)


def _how_sure(assessment: Assessment) -> str:
    if assessment.fault is None:
        return ""
    sure = assessment.fault.confidence
    words = assessment.fault.agreement
    return words if sure is None else f"{chance(sure)} ({words})"


def _why(assessment: Assessment) -> tuple[Why, ...]:
    """The findings a planner needs, gravest first, those that rest on one source together."""
    above = reasons(assessment)
    groups: dict[str, list[str]] = {} if above else {STATUS_SOURCE: list(assessment.status_reasons)}
    for finding in (*above, *beside(assessment), *doubts(assessment)):
        groups.setdefault(_source(finding), []).append(finding.text)
    return tuple(Why(tuple(texts), source) for source, texts in groups.items())


def _source(finding: Finding) -> str:
    source = finding.source or PRACTICE
    if finding.provenance and finding.provenance != "standard" and finding.provenance not in source:
        source += f" ({finding.provenance})"
    return source


def _deltas(assessment: Assessment) -> list[str]:
    """Changes that no finding tells already."""
    told = {f.quantity for f in assessment.findings if f.rule == "delta"}
    return [
        f"{BY_NAME[gas].symbol} {signed(delta)} µL/L"
        for gas, delta in assessment.deltas.items()
        if abs(delta) >= 0.05 and gas not in told
    ]
