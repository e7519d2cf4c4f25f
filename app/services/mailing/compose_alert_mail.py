"""The mail about what one sample changed: gathers the facts, writes it, queues it for every contact of the site."""

from collections.abc import Sequence
from datetime import date, datetime
from typing import Final
from zoneinfo import ZoneInfo

from app.domain.alerting.advice import advice
from app.domain.alerting.decisions import EXTREME, Condition, Reason
from app.domain.alerting.news import AlertChange, AlertNews
from app.domain.findings import Assessment, Finding
from app.domain.model import Asset, LadderStep
from app.notify.content import PREFIX, Evidence, MailContent, Row, Step, render
from app.science.quantities import BY_NAME
from app.services.mailing.queue_mail import Told, local_time, queue_mail
from app.store.alerting import alerts
from app.store.database import Connection
from app.store.registering import fleet
from app.store.registering.fleet import CompartmentContext
from app.store.registering.limits import ladder

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
VERBS: Final = {
    Reason.RAISED: "is raised",
    Reason.WORSENED: "has worsened",
    Reason.FAULT_CHANGED: "stays, but the fault pattern has changed",
    Reason.EASED: "has eased",
    Reason.RETURNED: "is back to normal",
    Reason.UNSHELVED: "is back, since its shelving has ended",
    Reason.ACKNOWLEDGED: "is acknowledged",
    Reason.SHELVED: "is shelved",
}
EVIDENCE_RULES: Final = {
    "extreme": "Extreme rise against the sample before",
    "level": "Level above its norm",
    "rate": "Rise over the last samples, a year, above its norm",
    "delta": "Rise against the sample before, above its norm",
    "confirm": "",
    "confirmed": "",
    "refuted": "",
    "quality": "",
    "detection_limit": "",
}
"""The rules whose findings a mail tells, gravest first, and the title of those that compare numbers."""


def enqueue_alert_mail(connection: Connection, news: AlertNews, now: datetime, public_url: str) -> int:
    """Queue one mail a contact of the site; returns how many. A repeat for the same event queues none."""
    context = fleet.compartment_context(connection, [news.compartment_id])[news.compartment_id]
    first = news.changes[0]
    opened = alerts.opened_at(connection, first.alert_id)
    mail = render(compose(news, context, opened, public_url, ladder(connection)))
    told = Told(first.alert_id, first.event_id, news.sample_id)
    return queue_mail(connection, mail, context.contacts, told, now, public_url)


def compose(
    news: AlertNews,
    context: CompartmentContext,
    opened_at: datetime,
    public_url: str,
    own_steps: Sequence[LadderStep] = (),
) -> MailContent:
    """Everything the mail says; ``own_steps`` are the owner's own steps of the ladder of actions."""
    assessment, asset = news.assessment, context.asset
    zone = ZoneInfo(context.site.time_zone)
    change = news.changes[0]
    headline = _headline(assessment, change)
    unit = f"{asset.code} {asset.name}, {context.compartment.name}"
    steps = advice(assessment, asset, news.taken_at, own_steps)
    actions = sorted(steps.actions, key=lambda a: a.due or date.max)  # of one day: as the ladder has them
    return MailContent(
        subject=f"{PREFIX} {asset.code} {context.compartment.name}: {headline}{_why_now(change)}",
        headline=headline[:1].upper() + headline[1:],
        what=" ".join(_sentence(c, assessment) for c in news.changes),
        unit=unit,
        place=f"{context.site.name} ({context.site.code})",
        nameplate=nameplate(asset),
        sample=f"taken {local_time(news.taken_at, zone)} by {news.source_name}",
        since=local_time(opened_at, zone),
        fault=f"{assessment.fault.code}, {assessment.fault.name}" if assessment.fault else "",
        how_sure=_how_sure(assessment),
        evidence=_evidence(assessment) or (_nothing_found(assessment),),
        changes=tuple(_deltas(assessment)),
        steps=tuple(Step(a.text, a.due.isoformat() if a.due else "", a.source) for a in actions),
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
    status = f"status {assessment.status}" if assessment.status else "no status"
    if _has(assessment, "extreme"):
        status += " extreme"
    what = "gas" if _has(assessment, "level") else "change"
    told = f"{status}, {'normal' if assessment.status == 1 else f'{what} above its norms'}"
    if assessment.status is None:
        told = "; ".join((status, *assessment.status_reasons[:1]))
    if assessment.fault and assessment.status != 1:
        told = f"{status}, {assessment.fault.name}"
    if change.condition != Condition.CONFIRMATION:
        return told
    if assessment.suspect:
        return "take a confirmation sample"
    if _has(assessment, "confirmed"):
        return f"change confirmed, {told}"
    return f"change not confirmed, {told}" if _has(assessment, "refuted") else f"confirmation sample, {told}"


def _why_now(change: AlertChange) -> str:
    """The reason in the subject; the headline of a confirmation sample says it by itself."""
    if change.condition == Condition.CONFIRMATION and change.reason == Reason.RETURNED:
        return ""
    return f" ({REASONS[Reason(change.reason)]})"


def _has(assessment: Assessment, rule: str) -> bool:
    return any(f.rule == rule for f in assessment.findings)


def _standing(severity: int) -> str:
    """A severity as people say it: above status 3 there is only "extreme"."""
    return "3, extreme" if severity >= EXTREME else str(severity)


def _sentence(change: AlertChange, assessment: Assessment) -> str:
    if change.condition == Condition.CONFIRMATION:
        if change.reason != Reason.RETURNED:
            acting = " Until then, act on it as if it were true." if (assessment.status or 0) >= 3 else ""
            return f"The change is greater than the norm and not confirmed yet: take a confirmation sample.{acting}"
        if _has(assessment, "confirmed"):
            return "The confirmation sample confirms the change: it is taken as real."
        return "The confirmation sample does not show the change of the one before it."
    was = f", it was {_standing(change.previous_status)}" if change.previous_status else ""
    stands = f"status {_standing(max(change.severity, 1))}{was}"
    if change.reason == Reason.RETURNED:
        return f"The gassing alert is back to normal ({stands})."
    if change.reason == Reason.FAULT_CHANGED:
        return f"In the gassing alert the fault pattern changed ({stands})."
    return f"The gassing alert {VERBS[Reason(change.reason)]} ({stands})."


def _how_sure(assessment: Assessment) -> str:
    if assessment.fault is None:
        return ""
    sure = assessment.fault.confidence
    words = assessment.fault.agreement
    return words if sure is None else f"{100 * sure:.0f} % ({words})"


def _evidence(assessment: Assessment) -> tuple[Evidence, ...]:
    """The findings a planner needs, gravest first; those of one rule and source stand in one table."""
    order = list(EVIDENCE_RULES)
    wanted = [f for f in assessment.findings if f.rule in EVIDENCE_RULES]
    wanted.sort(key=lambda f: (order.index(f.rule), -f.severity))
    groups: dict[tuple[str, str], list[Finding]] = {}
    for finding in wanted:
        numbers = EVIDENCE_RULES[finding.rule] and finding.value is not None and finding.limit is not None
        title = EVIDENCE_RULES[finding.rule] if numbers else finding.text
        groups.setdefault((title, _source(finding)), []).append(finding)
    return tuple(
        Evidence(title, source, tuple(_row(f) for f in found) if title != found[0].text else ())
        for (title, source), found in groups.items()
    )


def _row(finding: Finding) -> Row:
    unit = finding.unit or ""
    limit = "any rise" if finding.limit == 0.0 else f"{finding.limit:g} {unit}".strip()
    symbol = BY_NAME[finding.quantity].symbol if finding.quantity else ""
    digits = ".3g" if finding.rule == "rate" and abs(finding.value or 0.0) < 1000 else ".4g"
    return Row(symbol, f"{finding.value:{digits}} {unit}".strip(), limit)


def _source(finding: Finding) -> str:
    source = finding.source or "common practice, no source"
    if finding.provenance and finding.provenance != "standard" and finding.provenance not in source:
        source += f" ({finding.provenance})"
    return source


def _nothing_found(assessment: Assessment) -> Evidence:
    return Evidence(" ".join(assessment.status_reasons), "IEEE C57.104-2019, 6.1.2")


def _deltas(assessment: Assessment) -> list[str]:
    """Changes that no finding tells already."""
    told = {f.quantity for f in assessment.findings if f.rule == "delta"}
    return [
        f"{BY_NAME[gas].symbol} {delta:+.3g} µL/L"
        for gas, delta in assessment.deltas.items()
        if abs(delta) >= 0.05 and gas not in told
    ]
