"""The owner's own limits and ladder of actions."""

import sqlalchemy as sa

from app.domain.model import CompartmentKind, LadderStep, LimitScope, OwnerLimit
from app.store.database import Connection
from app.store.registering.registration import Upserted
from app.store.schema import ladder_steps, owner_limits


def upsert_limit(connection: Connection, limit: OwnerLimit) -> Upserted:
    """Set the owner's limits of one quantity for one scope."""
    key = (
        owner_limits.c.scope == limit.scope.value,
        owner_limits.c.of == limit.of,
        owner_limits.c.quantity == limit.quantity,
        owner_limits.c.compartment == limit.compartment.value,
    )
    values = {"typical": limit.typical, "high": limit.high, "note": limit.note}
    row = connection.execute(sa.select(owner_limits).where(*key)).mappings().first()
    if row is None:
        known = {
            "scope": limit.scope.value,
            "of": limit.of,
            "quantity": limit.quantity,
            "compartment": limit.compartment.value,
        }
        connection.execute(sa.insert(owner_limits).values(**known, **values))
        return "created"
    if all(row[name] == value for name, value in values.items()):
        return "unchanged"
    connection.execute(sa.update(owner_limits).where(*key).values(values))
    return "changed"


def all_limits(connection: Connection) -> list[OwnerLimit]:
    """Every limit of the owner; few, and needed for every judgement."""
    query = sa.select(owner_limits).order_by(owner_limits.c.id)
    return [
        OwnerLimit(
            *(LimitScope(row.scope), row.of, row.quantity, row.typical, row.high, row.note),
            compartment=CompartmentKind(row.compartment),
        )
        for row in connection.execute(query)
    ]


def upsert_step(connection: Connection, step: LadderStep) -> Upserted:
    """Set one of the owner's own steps."""
    key = (ladder_steps.c.urgency == step.urgency, ladder_steps.c.order == step.order)
    row = connection.execute(sa.select(ladder_steps).where(*key)).first()
    if row is None:
        values = {"urgency": step.urgency, "order": step.order, "text": step.text, "days": step.days}
        connection.execute(sa.insert(ladder_steps).values(values))
        return "created"
    if (row.text, row.days) == (step.text, step.days):
        return "unchanged"
    connection.execute(sa.update(ladder_steps).where(*key).values(text=step.text, days=step.days))
    return "changed"


def ladder(connection: Connection) -> list[LadderStep]:
    """All of the owner's own steps."""
    query = sa.select(ladder_steps).order_by(ladder_steps.c.urgency, ladder_steps.c.order)
    return [LadderStep(row.urgency, row.order, row.text, row.days) for row in connection.execute(query)]
