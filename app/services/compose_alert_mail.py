"""The mail about what one sample changed: gathers the facts, writes it, queues it for every contact of the site."""

from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from app.domain.advice import advice
from app.domain.alerting import Condition, Reason
from app.domain.findings import Assessment, Finding
from app.domain.model import Asset
from app.domain.news import AlertChange, AlertNews
from app.notify.content import PREFIX, Evidence, MailContent, Step, render
from app.science.quantities import BY_NAME
from app.store import alerts, fleet, outbox
from app.store.database import Connection
from app.store.fleet import CompartmentContext

REASONS: Final = {
    Reason.RAISED: "raised",
    Reason.WORSENED: "worsened",
    Reason.FAULT_CHANGED: "the fault pattern changed",
    Reason.EASED: "eased",
    Reason.RETURNED: "back to normal",
    Reason.UNSHELVED: "the shelving has ended",
    Reason.ACKNOWLEDGED: "acknowledged",
    Reason.SHELVED: "shelved",
}
EVIDENCE_RULES: Final = (
    "extreme",
    "level",
    "rate",
    "delta",
    "confirm",
    "confirmed",
    "refuted",
    "detection_limit",
)


def enqueue_alert_mail(connection: Connection, news: AlertNews, now: datetime, public_url: str) -> int:
    """Queue one mail a contact of the site; returns how many. A repeat for the same sample queues none."""
    context = fleet.compartment_context(connection, [news.compartment_id])[news.compartment_id]
    first = news.changes[0]
    opened = alerts.opened_at(connection, first.alert_id)
    mail = render(compose(news, context, opened, public_url))
    host = "ullage.invalid"
    ids = outbox.contact_ids(connection, [contact.code for contact in context.contacts])
    queued = 0
    for contact in context.contacts:
        thread = f"<alert-{first.alert_id}-{int(opened.timestamp())}-{contact.code}@{host}>"
        begins = first.reason == Reason.RAISED
        message = outbox.NewMessage(
            contact_id=ids[contact.code],
            alert_event_id=first.event_id,
            sample_id=news.sample_id,
            to_address=contact.email,
            subject=mail.subject,
            text=mail.text,
            html=mail.html,
            message_id=thread if begins else f"<event-{first.event_id}-{contact.code}@{host}>",
            thread_id=thread,
        )
        queued += outbox.enqueue(connection, message, now)
    return queued


def compose(
    news: AlertNews, context: CompartmentContext, opened_at: datetime, public_url: str
) -> MailContent:
    """Everything the mail says."""
    assessment, asset = news.assessment, context.asset
    zone = ZoneInfo(context.site.time_zone)
    change = news.changes[0]
    headline = _headline(assessment, change)
    unit = f"{asset.code} {asset.name}, {context.compartment.name}"
    steps = advice(assessment, asset, news.taken_at)
    return MailContent(
        subject=f"{PREFIX} {asset.code} {context.compartment.name}: {headline} ({REASONS[Reason(change.reason)]})",
        headline=headline,
        what=" ".join(_sentence(c, assessment) for c in news.changes),
        unit=unit,
        place=f"{context.site.name} ({context.site.code})",
        nameplate=nameplate(asset),
        sample=f"taken {_local(news.taken_at, zone)} by {news.source_name}",
        since=_local(opened_at, zone),
        fault=f"{assessment.fault.code}, {assessment.fault.name}" if assessment.fault else "",
        how_sure=_how_sure(assessment),
        evidence=tuple(_evidence(f) for f in _ordered(assessment)) or (_nothing_found(assessment),),
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
        f"{asset.oil_volume_l:g} L of oil" if asset.oil_volume_l else None,
        asset.preservation.value.replace("_", " ") if asset.preservation.value != "unknown" else None,
        f"serial {asset.serial}" if asset.serial else None,
    ]
    return ", ".join(p for p in parts if p)


def _headline(assessment: Assessment, change: AlertChange) -> str:
    if change.condition == Condition.CONFIRMATION:
        return "confirmation sample received" if not assessment.suspect else "take a confirmation sample"
    status = f"status {assessment.status}" if assessment.status else "no status"
    if assessment.fault:
        return f"{status}, {assessment.fault.name}"
    return f"{status}, {'normal' if assessment.status == 1 else 'gas above its norms'}"


def _sentence(change: AlertChange, assessment: Assessment) -> str:
    reason = REASONS[Reason(change.reason)]
    if change.condition == Condition.CONFIRMATION:
        if change.reason == Reason.RETURNED:
            refuted = any(f.rule == "refuted" for f in assessment.findings)
            return f"The confirmation sample {'refutes' if refuted else 'settles'} the one before it."
        return "This sample differs from the one before it by more than the norm: confirm it before believing it."
    was = f" (it was {change.previous_status})" if change.previous_status else ""
    return f"The gassing alert is {reason}: the unit stands at status {max(change.severity, 1)}{was}."


def _how_sure(assessment: Assessment) -> str:
    if assessment.fault is None:
        return ""
    sure = assessment.fault.confidence
    words = assessment.fault.agreement
    return words if sure is None else f"{100 * sure:.0f} % ({words})"


def _ordered(assessment: Assessment) -> list[Finding]:
    """The findings a planner needs, gravest first."""
    wanted = [f for f in assessment.findings if f.rule in EVIDENCE_RULES]
    return sorted(wanted, key=lambda f: (-f.severity, EVIDENCE_RULES.index(f.rule)))


def _evidence(finding: Finding) -> Evidence:
    number = "" if finding.value is None else f"{finding.value:.4g} {finding.unit or ''}".strip()
    limit = "" if finding.limit is None else f"{finding.limit:g} {finding.unit or ''}".strip()
    if finding.limit == 0.0:
        limit = "any increase"
    source = finding.source or "common practice, no source"
    if finding.provenance and finding.provenance != "standard" and finding.provenance not in source:
        source += f" ({finding.provenance})"
    symbol = BY_NAME[finding.quantity].symbol if finding.quantity else ""
    return Evidence(symbol, number, limit, finding.text, source)


def _nothing_found(assessment: Assessment) -> Evidence:
    return Evidence("", "", "", " ".join(assessment.status_reasons), "IEEE C57.104-2019, 6.1.2")


def _deltas(assessment: Assessment) -> list[str]:
    return [
        f"{BY_NAME[gas].symbol} {delta:+.3g} µL/L"
        for gas, delta in assessment.deltas.items()
        if abs(delta) >= 0.05
    ]


def _local(at: datetime, zone: ZoneInfo) -> str:
    local = at.astimezone(zone)
    return f"{local:%Y-%m-%d %H:%M} {local.tzname()}"
