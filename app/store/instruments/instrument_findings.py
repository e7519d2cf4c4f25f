"""Findings about instruments: kept by identity, continued while they last, ended, never deleted."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa

from app.domain.instruments.findings import InstrumentFinding, Kind
from app.store.database import Connection
from app.store.schema import (
    compartments,
    instrument_findings,
    instrument_states,
    source_compartments,
    sources,
)


@dataclass(frozen=True, slots=True)
class StoredFinding:
    """A finding with its row, the compartment it was seen in and when it was found first."""

    id: int
    compartment_id: int
    compartment: str
    finding: InstrumentFinding
    found_at: datetime


def findings_of(
    connection: Connection, source_id: int, *, since: datetime | None = None, limit: int = 500
) -> list[StoredFinding]:
    """Findings about an instrument, the newest first; with ``since`` those that lasted until then or later."""
    table = instrument_findings
    query = (
        sa.select(table, compartments.c.name)
        .join(compartments, compartments.c.id == table.c.compartment_id)
        .where(table.c.source_id == source_id)
        .order_by(table.c.begins_at.desc(), table.c.id.desc())
        .limit(limit)
    )
    if since is not None:
        query = query.where(sa.or_(table.c.ends_at.is_(None), table.c.ends_at >= since))
    return [_stored(row) for row in connection.execute(query)]


def _stored(row: Any) -> StoredFinding:
    detail = row.detail
    finding = InstrumentFinding(
        kind=Kind(row.kind),
        quantity=row.quantity,
        begins_at=row.begins_at,
        ends_at=row.ends_at,
        sentence=detail["sentence"],
        figures=detail["figures"],
        explained_by=detail["explained_by"],
    )
    return StoredFinding(row.id, row.compartment_id, row.name, finding, row.found_at)


def _detail(finding: InstrumentFinding) -> dict[str, Any]:
    figures = {name: float(value) for name, value in finding.figures.items() if math.isfinite(value)}
    return {"sentence": finding.sentence, "figures": figures, "explained_by": finding.explained_by}


def add(
    connection: Connection, source_id: int, compartment_id: int, finding: InstrumentFinding, now: datetime
) -> None:
    """A finding that was not there before."""
    connection.execute(
        sa.insert(instrument_findings).values(
            source_id=source_id,
            compartment_id=compartment_id,
            kind=finding.kind.value,
            quantity=finding.quantity,
            begins_at=finding.begins_at,
            ends_at=finding.ends_at,
            found_at=now,
            detail=_detail(finding),
        )
    )


def go_on(connection: Connection, finding_id: int, finding: InstrumentFinding) -> None:
    """What is now seen of a stored finding: its end and its figures; its beginning stays."""
    connection.execute(
        sa.update(instrument_findings)
        .where(instrument_findings.c.id == finding_id)
        .values(ends_at=finding.ends_at, detail=_detail(finding))
    )


def end(connection: Connection, finding_ids: Iterable[int], at: datetime) -> None:
    """Findings that are not seen any more: they lasted until then."""
    ids = list(finding_ids)
    if ids:
        connection.execute(
            sa.update(instrument_findings).where(instrument_findings.c.id.in_(ids)).values(ends_at=at)
        )


def claim_due(connection: Connection, now: datetime, every: timedelta, limit: int) -> list[str]:
    """Codes of instruments that were heard since they were looked at, and not looked at for so long.

    They are marked as looked at, so that another worker takes others; one that dies meanwhile is looked at again the
    next time.
    """
    table = instrument_states
    query = (
        sa.select(table.c.source_id)
        .where(
            sa.or_(
                table.c.checked_at.is_(None),
                sa.and_(table.c.checked_at <= now - every, table.c.heard_at > table.c.checked_at),
            )
        )
        .order_by(table.c.checked_at.is_not(None), table.c.checked_at, table.c.source_id)
        .limit(limit)
        .with_for_update(skip_locked=True)
    )
    ids = list(connection.execute(query).scalars())
    if not ids:
        return []
    mark_checked(connection, ids, now)
    codes = sa.select(sources.c.code).where(sources.c.id.in_(ids)).order_by(sources.c.code)
    return list(connection.execute(codes).scalars())


def mark_checked(connection: Connection, source_ids: Sequence[int], now: datetime) -> None:
    """Note when instruments were looked at."""
    table = instrument_states
    connection.execute(sa.update(table).where(table.c.source_id.in_(source_ids)).values(checked_at=now))


def checked_at(connection: Connection, source_id: int) -> datetime | None:
    """When an instrument's readings were looked at last."""
    query = sa.select(instrument_states.c.checked_at).where(instrument_states.c.source_id == source_id)
    return connection.execute(query).scalar_one_or_none()


def served(connection: Connection, source_id: int) -> list[tuple[int, str]]:
    """(id, name) of the compartments an instrument serves."""
    query = (
        sa.select(compartments.c.id, compartments.c.name)
        .join(source_compartments, source_compartments.c.compartment_id == compartments.c.id)
        .where(source_compartments.c.source_id == source_id)
        .order_by(compartments.c.id)
    )
    return [(row[0], row[1]) for row in connection.execute(query)]
