"""One file a rule, and :data:`RULES`, their order: a later one does not see the readings that an earlier explains."""

from collections.abc import Callable, Sequence
from typing import Final

from app.domain.instruments.findings import InstrumentFinding
from app.domain.instruments.record import InstrumentRecord
from app.domain.instruments.rules.daily_cycle import daily_cycle
from app.domain.instruments.rules.drift import drift
from app.domain.instruments.rules.missing import missing
from app.domain.instruments.rules.negative import negative
from app.domain.instruments.rules.saturated import saturated
from app.domain.instruments.rules.spike import spike
from app.domain.instruments.rules.step import step
from app.domain.instruments.rules.stuck import stuck

Rule = Callable[[InstrumentRecord, Sequence[InstrumentFinding]], list[InstrumentFinding]]

RULES: Final[tuple[Rule, ...]] = (missing, negative, saturated, stuck, spike, step, daily_cycle, drift)


def look(record: InstrumentRecord) -> list[InstrumentFinding]:
    """Everything the rules find in a record, in their order. Pure: the same record gives the same findings."""
    found: list[InstrumentFinding] = []
    for rule in RULES:
        found.extend(rule(record, tuple(found)))
    return found
