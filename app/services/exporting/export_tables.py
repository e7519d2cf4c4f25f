"""Samples, assessments and alerts as flat tables: one row each, the columns always the same."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Literal

from app.domain.findings import Assessment
from app.domain.judging.methods import METHODS
from app.errors import UnknownError
from app.intake.numbers import shown
from app.science.quantities import INDEX, NAMES, NORM_GASES
from app.store.database import Connection
from app.store.exporting import exports
from app.store.exporting.exports import Scope

Kind = Literal["samples", "assessments", "alerts"]
Cell = str | float | int | bool | datetime | None

_UNIT: Final = ("liquid", "rated_kv", "paper")
_BEFORE: Final = (
    *("asset", "site", "serial", *_UNIT),
    *("compartment", "compartment_kind", "source", "source_kind", "taken_at"),
)
_NOTES: Final = ("laboratory_number", "remark")
_AFTER: Final = ("revision", "status", "file", "line")
SAMPLE_COLUMNS: Final = (*_BEFORE, *_NOTES, *NAMES, *_AFTER)
SAID_COLUMNS: Final = (
    *("status", "suspect", "doubtful", "fault", "fault_name", "confidence", "status_reasons"),
    *(method.name for method in METHODS),
    *(f"delta_{gas}" for gas in NORM_GASES),
    *(f"rate_{gas}" for gas in NORM_GASES),
    *("nei_oil", "relative_saturation", "norm_set", "course_state", "gravity"),
)
ASSESSMENT_COLUMNS: Final = (
    *("asset", "site", "compartment", "source", "taken_at"),
    *SAID_COLUMNS,
    *("rule_set", "assessed_at"),
)
ALERT_COLUMNS: Final = (
    *("asset", "site", "compartment", "condition", "state", "severity", "opened_at", "changed_at"),
    *("headline", "acknowledged_by", "shelved_until", "instrument"),
)
COLUMNS: Final[Mapping[Kind, tuple[str, ...]]] = {
    "samples": SAMPLE_COLUMNS,
    "assessments": ASSESSMENT_COLUMNS,
    "alerts": ALERT_COLUMNS,
}
"""Gases µL/L, water and furfural mg/kg, temperatures °C, rates µL/L per year, nei_oil kJ/kL, times UTC."""


class UnknownScopeError(UnknownError, LookupError):
    """No asset or site of that code is registered."""


@dataclass(frozen=True, slots=True)
class Table:
    """``rows`` are read while the connection they come from is open."""

    kind: Kind
    columns: tuple[str, ...]
    rows: Iterator[tuple[Cell, ...]]


def table_of(connection: Connection, kind: Kind, scope: Scope) -> Table:
    """The rows of one kind in a scope.

    Raises:
        UnknownScopeError: if the scope's asset or site is not registered.
    """
    if not exports.is_registered(connection, scope):
        what, code = ("asset", scope.asset) if scope.asset is not None else ("site", scope.site)
        raise UnknownScopeError(f"no {what} has the code {shown(code)}")
    read, row_of = _READERS[kind]
    return Table(kind, COLUMNS[kind], (row_of(row) for row in read(connection, scope)))


def _sample_row(row: Any) -> tuple[Cell, ...]:
    found = row._mapping
    readings = (_reading(found[name], row.below >> INDEX[name] & 1 == 1) for name in NAMES)
    return (
        *(found[name] for name in (*_BEFORE, *_NOTES)),
        *readings,
        *(found[name] for name in _AFTER),
    )


def _reading(number: float | None, below: bool) -> Cell:
    return f"<{number!r}" if below else number


def said_of(assessment: Assessment) -> tuple[Cell, ...]:
    """The cells of :data:`SAID_COLUMNS`."""
    said, fault = assessment, assessment.fault
    methods = (said.methods.get(method.name) for method in METHODS)
    rates = (said.rates.get(gas) for gas in NORM_GASES)
    return (
        *(said.status, said.suspect, said.doubtful),
        *((fault.code, fault.name, fault.confidence) if fault else (None, None, None)),
        "; ".join(said.status_reasons),
        *(call.code if call is not None else None for call in methods),
        *(said.deltas.get(gas) for gas in NORM_GASES),
        *(None if rate is None else rate.per_year for rate in rates),
        *(said.nei_oil, said.relative_saturation, said.norm_set),
        *((said.course.state, said.course.gravity) if said.course else (None, None)),
    )


def _assessment_row(row: Any) -> tuple[Cell, ...]:
    head = (row.asset, row.site, row.compartment, row.source, row.taken_at)
    if row.detail is None:  # an on-line reading that says what the one before it said
        short = (row.status, row.suspect, False, row.fault)
        said: tuple[Cell, ...] = (*short, *(None for _ in SAID_COLUMNS[len(short) :]))
    else:
        said = said_of(Assessment.from_json(row.detail))
    return (*head, *said, row.rule_set, row.assessed_at)


def _alert_row(row: Any) -> tuple[Cell, ...]:
    return tuple(row)


_READERS: Final[
    Mapping[
        Kind,
        tuple[Callable[[Connection, Scope], Iterator[Any]], Callable[[Any], tuple[Cell, ...]]],
    ]
] = {
    "samples": (exports.samples_of, _sample_row),
    "assessments": (exports.assessments_of, _assessment_row),
    "alerts": (exports.alerts_of, _alert_row),
}
