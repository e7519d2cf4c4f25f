"""After the soak: is everything that was answered "stored" there, once and judged, and was everybody told once?"""

from collections import Counter
from datetime import datetime
from email import message_from_bytes
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from soak_fleet import Unit
from soak_load import Ledger

from app.store.database import Database
from app.store.recording.reading_columns import counting
from app.store.schema import alert_events, alerts, assets, compartments, messages, samples, sources


def check_record(database: Database, ledger: Ledger, since: datetime) -> dict[str, Any]:
    """Counts of what is there against what was answered; ``since``: received by the load, not as history."""
    query = (
        sa.select(
            sources.c.code,
            samples.c.taken_at,
            sa.func.count(),
            sa.func.count().filter(samples.c.current),
            sa.func.max(samples.c.revision),
        )
        .join(sources, sources.c.id == samples.c.source_id)
        .where(samples.c.received_at >= since)
        .group_by(sources.c.code, samples.c.compartment_id, samples.c.taken_at)
    )
    unjudged = sa.select(sa.func.count()).where(*counting(), samples.c.rule_set.is_(None))
    with database.read() as connection:
        rows = connection.execute(query).all()
        not_judged = connection.execute(unjudged).scalar_one()
        total = connection.execute(sa.select(sa.func.count()).select_from(samples)).scalar_one()
    places = Counter((code, at) for code, at, *_ in rows)
    there = {(code, at): (count, current, revision) for code, at, count, current, revision in rows}
    answered = ledger.revisions
    return {
        "answered_stored": len(answered),
        "answered_revised": sum(answered.values()) - len(answered),
        "rows_in_all": total,
        "lost": sum(key not in there for key in answered),
        "twice": sum(count > 1 for count in places.values()),
        "wrong_revisions": sum(
            key in there and there[key] != (count, 1, count)
            for key, count in answered.items()
            if key not in ledger.unanswered
        ),
        "nobody_answered_for": sum(key not in answered and key not in ledger.unanswered for key in there),
        "not_judged": not_judged,
    }


def check_mail(database: Database, folder: Path, ill: list[Unit]) -> dict[str, Any]:
    """Who was told of what: faults raised, alarms about the healthy, and each mail once."""
    raised = (
        sa.select(assets.c.code, sa.func.count())
        .join(alerts, alerts.c.id == alert_events.c.alert_id)
        .join(compartments, compartments.c.id == alerts.c.compartment_id)
        .join(assets, assets.c.id == compartments.c.asset_id)
        .where(alert_events.c.reason == "raised", alerts.c.condition == "gassing")
        .group_by(assets.c.code)
    )
    with database.read() as connection:
        alarms = {code: int(count) for code, count in connection.execute(raised)}
        states = {s: int(n) for s, n in connection.execute(_by_state())}
        sent = connection.execute(
            sa.select(messages.c.message_id).where(messages.c.state == "sent")
        ).scalars()
        wanted = Counter(sent)
    written = Counter(
        str(message_from_bytes(path.read_bytes())["Message-ID"]) for path in folder.glob("*.eml")
    )
    shown = [u.code for u in ill if u.fault_shown]
    codes = {u.code for u in ill}
    return {
        "faults_fully_grown": len(shown),
        "faults_raised": sum(code in alarms for code in shown),
        "raised_more_than_once": sum(count > 1 for code, count in alarms.items() if code in codes),
        "alarms_about_healthy_units": sum(code not in codes for code in alarms),
        "messages_by_state": states,
        "mails_written": sum(written.values()),
        "mails_missing": sum((wanted - written).values()),
        "mails_beyond_what_was_sent": sum((written - wanted).values()),
    }


def _by_state() -> sa.Select[Any]:
    return sa.select(messages.c.state, sa.func.count()).group_by(messages.c.state)


MUST_BE_ZERO = (
    "lost",
    "twice",
    "wrong_revisions",
    "nobody_answered_for",
    "not_judged",
    "mails_missing",
    "mails_beyond_what_was_sent",
    "raised_more_than_once",
)
