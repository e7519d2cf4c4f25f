"""Look at an instrument's readings: what they say about the instrument, and how it agrees with the laboratory.

Nothing here changes what is said of the transformer: a finding about the instrument lowers no alert.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from app.domain.alerting.condition import Look
from app.domain.alerting.conditions.registry import OF_READINGS
from app.domain.instruments.agreement import Agreement, CheckRule, agreement
from app.domain.instruments.continued import reconcile
from app.domain.instruments.findings import InstrumentFinding
from app.domain.instruments.record import InstrumentRecord
from app.domain.instruments.rules import look
from app.domain.judging.frame import to_days, to_time
from app.services.alerting.instrument_alerts import update_alerts
from app.store.database import Connection, Database
from app.store.instruments import instrument_findings, instrument_readings, instruments
from app.store.registering import events, maintenance
from app.store.registering.source_lookup import StoredSource, find_source

YEARS: Final = timedelta(days=1096)
"""How far back days and laboratory samples are looked at."""
REMEMBERED: Final = timedelta(days=60)
"""Findings that ended this long ago are not continued."""


@dataclass(frozen=True)
class Seen:
    """What one compartment's readings of an instrument show."""

    compartment_id: int
    record: InstrumentRecord
    findings: tuple[InstrumentFinding, ...]
    agreement: tuple[Agreement, ...]


def check_due(database: Database, now: datetime, rule: CheckRule, public_url: str, limit: int = 20) -> int:
    """Look at the instruments whose look is due, at most ``limit`` of them; returns how many.

    Several workers may do so at once: each instrument is taken by one.
    """
    with database.write() as connection:
        due = instrument_findings.claim_due(connection, now, rule.every, limit)
    for code in due:
        check_instrument(database, code, now, rule, public_url)
    return len(due)


def check_instrument(
    database: Database, code: str, now: datetime, rule: CheckRule, public_url: str
) -> list[InstrumentFinding]:
    """Look at one instrument now: findings are stored or continued, its alerts told; returns what was seen.

    Raises:
        LookupError: if there is no such source.
    """
    with database.read() as connection:
        stored = find_source(connection, code)
    if stored is None:
        raise LookupError(f"there is no instrument {code!r}")
    with database.read() as connection:
        seen = [see(connection, stored, own, now, rule) for own in stored.compartments.values()]
    with database.write() as connection:
        instruments.hold(connection, stored.id)
        for one in seen:
            if len(one.record.at):  # without any reading nothing is known to have ended
                _keep(connection, stored.id, one, now)
        known = instrument_findings.findings_of(connection, stored.id, since=now - REMEMBERED)
        instrument_findings.mark_checked(connection, [stored.id], now)
        saw = Look([k.finding for k in known], [a for one in seen for a in one.agreement], now)
        update_alerts(connection, stored.id, {c: c.seen(saw) for c in OF_READINGS}, now, public_url)
    return [finding for one in seen for finding in one.findings]


def see(
    connection: Connection, stored: StoredSource, compartment_id: int, now: datetime, rule: CheckRule
) -> Seen:
    """Read what a look needs of one compartment, bounded in time, and look at it. Writes nothing."""
    record = record_of(connection, stored, compartment_id, now, rule.raw_days)
    return Seen(compartment_id, record, tuple(look(record)), tuple(agreement(record, rule.agreement)))


def record_of(
    connection: Connection, stored: StoredSource, compartment_id: int, now: datetime, raw_days: int
) -> InstrumentRecord:
    """One instrument's readings in one compartment, with its days, the laboratory and what was done meanwhile."""
    own, source_id = compartment_id, stored.id
    raw = instrument_readings.readings(connection, own, source_id, now - timedelta(days=raw_days), now)
    minutes = stored.source.expected_interval_minutes
    return InstrumentRecord(
        now=to_days(now),
        at=raw.at,
        values=raw.values,
        below=raw.below,
        daily=instrument_readings.days(connection, own, source_id, now - YEARS, now),
        laboratory=instrument_readings.laboratory_readings(connection, own, now - YEARS, now),
        events=tuple(
            (to_days(e.at), e.kind) for e in events.events_for(connection, [own]).get(own, []) if e.at <= now
        ),
        expected_days=minutes / 1440.0 if minutes else None,
        spells=tuple(
            (to_days(s.begins_at), to_days(s.ends_at or now))
            for s in maintenance.spells(connection, [source_id]).get(source_id, [])
        ),
    )


def _keep(connection: Connection, source_id: int, seen: Seen, now: datetime) -> None:
    stored = instrument_findings.findings_of(connection, source_id, since=now - REMEMBERED)
    known = {s.id: s.finding for s in stored if s.compartment_id == seen.compartment_id}
    result = reconcile(known, seen.findings, now)
    for finding in result.new:
        instrument_findings.add(connection, source_id, seen.compartment_id, finding, now)
    for key, finding in result.going_on:
        instrument_findings.go_on(connection, key, finding)
    instrument_findings.end(connection, result.ended, to_time(float(seen.record.at[-1])))
