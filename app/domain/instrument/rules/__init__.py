"""One file a rule, and :data:`RULES`, their order: a later one does not see the readings that an earlier explains."""

from collections.abc import Callable, Sequence
from typing import Final

from app.domain.instrument.findings import InstrumentFinding
from app.domain.instrument.record import InstrumentRecord
from app.domain.instrument.rules.daily_cycle import daily_cycle
from app.domain.instrument.rules.drift import drift
from app.domain.instrument.rules.missing import missing
from app.domain.instrument.rules.negative import negative
from app.domain.instrument.rules.saturated import saturated
from app.domain.instrument.rules.spike import spike
from app.domain.instrument.rules.step import step
from app.domain.instrument.rules.stuck import stuck

Rule = Callable[[InstrumentRecord, Sequence[InstrumentFinding]], list[InstrumentFinding]]

RULES: Final[tuple[Rule, ...]] = (missing, negative, saturated, stuck, spike, step, daily_cycle, drift)


def look(record: InstrumentRecord) -> list[InstrumentFinding]:
    """Everything the rules find in a record, in their order. Pure: the same record gives the same findings."""
    found: list[InstrumentFinding] = []
    for rule in RULES:
        found.extend(rule(record, tuple(found)))
    return found
