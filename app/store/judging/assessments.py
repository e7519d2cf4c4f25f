"""Assessments: one counts for each sample, the earlier ones are kept with the time they were superseded."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeVar

import sqlalchemy as sa

from app.domain.findings import Assessment
from app.store.database import Connection, UtcDateTime
from app.store.recording.online_rows import ShortVerdict
from app.store.schema import assessments, samples

T = TypeVar("T")
_SET_STANDING = (
    sa.update(samples)
    .where(
        samples.c.id == sa.bindparam("of_sample"),
        samples.c.taken_at == sa.bindparam("at"),  # one month is looked into and not all
    )
    .values({name: sa.bindparam(f"new_{name}") for name in ("status", "suspect", "fault", "rule_set")})
)


@dataclass(frozen=True, slots=True)
class Judged:
    """A sample and what is said of it in full."""

    sample_id: int
    taken_at: datetime
    assessment: Assessment


@dataclass(frozen=True, slots=True)
class ChangedVerdict:
    """How a stored on-line reading stands now."""

    sample_id: int
    taken_at: datetime
    verdict: ShortVerdict


def save(connection: Connection, judged: Sequence[Judged], now: datetime) -> int:
    """Store what was judged; an earlier assessment of the same sample is superseded.

    One that says the same as the one that counts, under the same rule set, changes nothing.
    Returns how many were stored.
    """
    current = current_of(connection, (one.sample_id for one in judged))
    new, superseded = [], []
    for one in judged:
        before = current.get(one.sample_id)
        if before is not None:
            same = before["rule_set"] == one.assessment.rule_set
            if same and _plain(before["detail"]) == _plain(one.assessment.to_json()):
                continue
            superseded.append(before["id"])
        new.append(one)
    for chunk in _chunks(superseded):
        connection.execute(
            sa.update(assessments).where(assessments.c.id.in_(chunk)).values(superseded_at=now)
        )
    if new:
        rows = [_row(one, now) for one in new]
        connection.execute(sa.insert(assessments), rows)
        names = ("status", "suspect", "fault", "rule_set")
        _set_verdicts(
            connection,
            [(one, tuple(row[name] for name in names)) for one, row in zip(new, rows, strict=True)],
        )
    return len(new)


def _set_verdicts(
    connection: Connection, verdict: Sequence[tuple[Judged | ChangedVerdict, tuple[Any, ...]]]
) -> None:
    """Write into the samples how they stand: status, suspect, fault and by which rules."""
    connection.execute(
        _SET_STANDING,
        [
            {
                "of_sample": of.sample_id,
                "at": of.taken_at,
                "new_status": status,
                "new_suspect": suspect,
                "new_fault": fault,
                "new_rule_set": rule_set,
            }
            for of, (status, suspect, fault, rule_set) in verdict
        ],
    )


@dataclass(frozen=True, slots=True)
class By:
    """When and by which rules."""

    at: datetime
    rule_set: str


def save_full(connection: Connection, told: Sequence[Judged], now: datetime) -> None:
    """Store assessments of on-line readings, in place of what was told of them before; their verdict stays."""
    for chunk in _chunks([one.sample_id for one in told]):
        connection.execute(_supersede(chunk, now))
    if told:
        connection.execute(sa.insert(assessments), [_row(one, now) for one in told])


def replace_verdicts(
    connection: Connection, series: tuple[int, int], changed: Sequence[ChangedVerdict], by: By
) -> None:
    """Stored on-line readings of one series stand otherwise. How they stood is kept.

    A reading of which nothing was told in full gets a line that says how it stood; what was told is superseded.

    Args:
        series: ids of the compartment and the instrument.
        changed: in time order.
    """
    if not changed:
        return
    for chunk in _chunks(changed):
        ids = [one.sample_id for one in chunk]
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
                    samples.c.online,
                    samples.c.compartment_id == series[0],
                    samples.c.source_id == series[1],
                    samples.c.taken_at.between(chunk[0].taken_at, chunk[-1].taken_at),
                    samples.c.id.in_(ids),
                    samples.c.rule_set.is_not(None),
                    ~sa.exists().where(
                        assessments.c.sample_id == samples.c.id, assessments.c.superseded_at.is_(None)
                    ),
                ),
            )
        )
        connection.execute(_supersede(ids, by.at))
    _set_verdicts(connection, [(one, (*one.verdict, by.rule_set)) for one in changed])


def _supersede(sample_ids: Sequence[int], now: datetime) -> sa.Update:
    return (
        sa.update(assessments)
        .where(assessments.c.sample_id.in_(sample_ids), assessments.c.superseded_at.is_(None))
        .values(superseded_at=now)
    )


def _row(judged: Judged, now: datetime) -> dict[str, Any]:
    assessment = judged.assessment
    return {
        "sample_id": judged.sample_id,
        "rule_set": assessment.rule_set,
        "assessed_at": now,
        "status": assessment.status,
        "suspect": assessment.suspect,
        "fault": assessment.fault.code if assessment.fault else None,
        "course": assessment.course.state if assessment.course else None,
        "gravity": assessment.course.gravity if assessment.course else None,
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


def _chunks(many: Sequence[T], size: int = 500) -> Iterable[Sequence[T]]:
    for i in range(0, len(many), size):
        yield many[i : i + size]
