"""Assessments: one counts for each sample, the earlier ones are kept with the time they were superseded."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from app.domain.findings import Assessment
from app.store.database import Connection, UtcDateTime
from app.store.tables import assessments, samples

_SET_STANDING = (
    sa.update(samples)
    .where(samples.c.id == sa.bindparam("new_sample_id"))
    .values({name: sa.bindparam(f"new_{name}") for name in ("status", "suspect", "fault", "rule_set")})
)


def save(connection: Connection, judged: Sequence[tuple[int, Assessment]], now: datetime) -> int:
    """Store assessments of (sample id, assessment); an earlier one of the same sample is superseded.

    One that says the same as the one that counts, under the same rule set, changes nothing.
    Returns how many were stored.
    """
    current = current_of(connection, (sample_id for sample_id, _ in judged))
    new, superseded = [], []
    for sample_id, assessment in judged:
        detail = assessment.to_json()
        before = current.get(sample_id)
        if before is not None:
            if before["rule_set"] == assessment.rule_set and _plain(before["detail"]) == _plain(detail):
                continue
            superseded.append(before["id"])
        new.append(_row(sample_id, assessment, now))
    for chunk in _chunks(superseded):
        connection.execute(
            sa.update(assessments).where(assessments.c.id.in_(chunk)).values(superseded_at=now)
        )
    if new:
        connection.execute(sa.insert(assessments), new)
        set_standings(connection, new)
    return len(new)


def set_standings(connection: Connection, judged: Sequence[Mapping[str, Any]]) -> None:
    """Write into the samples how they stand: mappings with sample_id, status, suspect, fault, rule_set."""
    for i in range(0, len(judged), 500):
        some = judged[i : i + 500]
        bounds = _bounds(connection, [one["sample_id"] for one in some])
        connection.execute(
            _SET_STANDING.where(samples.c.taken_at.between(*bounds)) if bounds else _SET_STANDING,
            [
                {f"new_{name}": one[name] for name in ("sample_id", "status", "suspect", "fault", "rule_set")}
                for one in some
            ],
        )


def _bounds(connection: Connection, sample_ids: Sequence[int]) -> tuple[datetime, datetime] | None:
    """The first and last time of many samples: PostgreSQL then looks each up in their months only, not in all."""
    if connection.dialect.name != "postgresql" or len(sample_ids) < 5:
        return None
    query = sa.select(sa.func.min(samples.c.taken_at), sa.func.max(samples.c.taken_at))
    begin, end = connection.execute(query.where(samples.c.id.in_(sample_ids))).one()
    return None if begin is None else (begin, end)


@dataclass(frozen=True, slots=True)
class Told:
    """An on-line reading that is told in full."""

    sample_id: int
    assessment: Assessment


@dataclass(frozen=True, slots=True)
class By:
    """When and by which rules."""

    at: datetime
    rule_set: str


def tell(connection: Connection, told: Sequence[Told], now: datetime) -> None:
    """Store assessments of on-line readings, in place of what was told of them before; their standing stays."""
    for chunk in _chunks([one.sample_id for one in told]):
        connection.execute(_supersede(chunk, now))
    if told:
        connection.execute(sa.insert(assessments), [_row(one.sample_id, one.assessment, now) for one in told])


def stand_anew(
    connection: Connection, changed: Sequence[tuple[int, tuple[int | None, bool, str | None]]], by: By
) -> None:
    """Stored on-line readings stand otherwise: (sample id, (status, suspect, fault)). How they stood is kept.

    A reading of which nothing was told in full gets a line that says how it stood; what was told is superseded.
    """
    for chunk in _chunks([sample_id for sample_id, _ in changed]):
        connection.execute(
            sa.insert(assessments).from_select(
                ["sample_id", "rule_set", "assessed_at", "superseded_at", "status", "suspect", "fault"],
                sa.select(
                    samples.c.id,
                    samples.c.rule_set,
                    samples.c.received_at,
                    sa.literal(by.at, UtcDateTime),
                    samples.c.status,
                    samples.c.suspect,
                    samples.c.fault,
                ).where(
                    samples.c.id.in_(chunk),
                    samples.c.rule_set.is_not(None),
                    ~sa.exists().where(
                        assessments.c.sample_id == samples.c.id, assessments.c.superseded_at.is_(None)
                    ),
                ),
            )
        )
        connection.execute(_supersede(chunk, by.at))
    set_standings(
        connection,
        [
            {"sample_id": i, "status": status, "suspect": suspect, "fault": fault, "rule_set": by.rule_set}
            for i, (status, suspect, fault) in changed
        ],
    )


def _supersede(sample_ids: Sequence[int], now: datetime) -> sa.Update:
    return (
        sa.update(assessments)
        .where(assessments.c.sample_id.in_(sample_ids), assessments.c.superseded_at.is_(None))
        .values(superseded_at=now)
    )


def _row(sample_id: int, assessment: Assessment, now: datetime) -> dict[str, Any]:
    return {
        "sample_id": sample_id,
        "rule_set": assessment.rule_set,
        "assessed_at": now,
        "status": assessment.status,
        "suspect": assessment.suspect,
        "fault": assessment.fault.code if assessment.fault else None,
        "detail": assessment.to_json(),
    }


def _plain(value: Any) -> Any:
    """Tuples as lists, so that a stored form compares equal to a fresh one."""
    if isinstance(value, Mapping):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    return value


def current_of(connection: Connection, sample_ids: Iterable[int]) -> dict[int, dict[str, Any]]:
    """The assessment that counts, by sample id: id, rule_set, status, suspect, fault, detail."""
    found: dict[int, dict[str, Any]] = {}
    for chunk in _chunks(list(sample_ids)):
        query = sa.select(assessments).where(
            assessments.c.sample_id.in_(chunk), assessments.c.superseded_at.is_(None)
        )
        found.update((row["sample_id"], dict(row)) for row in connection.execute(query).mappings())
    return found


def history_of(connection: Connection, sample_id: int) -> list[dict[str, Any]]:
    """All assessments of a sample, oldest first: what was known when."""
    query = sa.select(assessments).where(assessments.c.sample_id == sample_id).order_by(assessments.c.id)
    return [dict(row) for row in connection.execute(query).mappings()]


def _chunks(ids: list[int], size: int = 500) -> Iterable[list[int]]:
    for i in range(0, len(ids), size):
        yield ids[i : i + size]
