"""What the engine says of one sample, as data with evidence; text is made from it, never the other way.

`Assessment.to_json` / `from_json` are the stored form (column ``assessments.detail``).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from enum import IntEnum
from functools import cache
from typing import Any, Final, Self

PRACTICE: Final = "common practice, no source"
"""The source of what is done so and stands nowhere."""


class Severity(IntEnum):
    """How much a finding matters. 2 and 3 carry the same weight as the DGA status of the same number."""

    INFORMATION = 0
    LOOK_AGAIN = 1
    """Repeat a test, take another sample."""
    INTERMEDIATE = 2
    HIGH = 3
    EXTREME = 4
    """Calls for action at once."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One statement with its evidence.

    Attributes:
        rule: identifier of the rule that made it, e.g. ``level``; documented in docs/decisions/engine.md.
        severity: see :class:`Severity`.
        text: one plain sentence, made from the evidence below by :mod:`app.domain.judging.reporting.sentences`. It is
            shown as it stands wherever the finding is shown.
        quantity, value, limit, unit: the evidence; None where a finding has none.
        source: edition and clause of the limit, e.g. ``IEEE C57.104-2019 Table 2``.
        provenance: ``standard``, ``paper``, ``common practice`` or ``from memory``.
        reference_at: when the sample was taken that the statement compares with, ISO 8601; None where it compares with
            none or, on-line, with a month.
    """

    rule: str
    severity: Severity
    text: str
    quantity: str | None = None
    value: float | None = None
    limit: float | None = None
    unit: str | None = None
    source: str | None = None
    provenance: str | None = None
    reference_at: str | None = None

    @property
    def any_counts(self) -> bool:
        """Whether the limit is that nothing may rise, which the tables write as no number."""
        return self.limit == 0 and self.rule in {"delta", "rate"}


@dataclass(frozen=True, slots=True)
class MethodCall:
    """What one diagnostic method says. Either a ``code`` with ``applicable=True`` or a reason why not."""

    code: str | None
    applicable: bool
    why: str
    """Why this code, with the ratios or percentages that led to it; or why the method does not apply."""


@dataclass(frozen=True, slots=True)
class Rate:
    """A multi-point rate: least-squares slope over ``points`` samples spanning ``span_days``."""

    per_year: float
    """[µL/L/year]"""
    span_days: float
    points: int


@dataclass(frozen=True, slots=True)
class Trend:
    """The pace of one gas since its last change of pace, and what its whole baseline says.

    Slopes are Theil-Sen [µL/L/year] over the stretch ``since``, with a 95 % interval; None where the points are too few
    to give one.
    """

    per_year: float
    low: float | None
    high: float | None
    p: float
    """One-sided probability of so clear a rise by chance; a laboratory's over the whole baseline."""
    points: int
    span_days: float
    """Points and days of the stretch."""
    rising: bool
    """Called rising, see :mod:`app.domain.judging.rules.trend_calls`, and not flat since."""
    since: str
    """ISO date at which the stretch begins: the last change of pace, or the first point."""
    acceleration: float | None = None
    """[µL/L/year²]; None unless beyond two standard errors."""
    ml_per_day: float | None = None
    """Gas generation from the oil volume [mL/day]."""
    days_to_limit: tuple[float, float, float] | None = None
    """Earliest, central, latest days until the next limit, 80 %; None where no such forecast can be borne."""
    not_before_days: float | None = None
    """Days before which the next limit is not reached (90 %), where that is all that can be said."""
    next_limit: float | None = None
    """[µL/L]; of a gas that rises."""
    began: str | None = None
    """``since``, where a gas rises from a change of pace on."""
    windows: Mapping[str, float] = field(default_factory=dict)
    """Further paces [µL/L/year], least squares. On-line: over a week, month, quarter, where beyond two errors;
    laboratory: over the whole ``baseline``, where the stretch is only part of it."""


@dataclass(frozen=True, slots=True)
class Pace:
    """How fast one gas changes over the stretch that the course stands on [µL/L/year]."""

    per_year: float
    low: float | None
    high: float | None
    """The 95 % interval; None where it is open."""
    since: str
    """ISO date at which the stretch begins."""


@dataclass(frozen=True, slots=True)
class Course:
    """Where the unit's record up to this sample has come to: what the sample means, as against what it shows.

    ``state`` is one of those of :mod:`app.domain.judging.course.states`, ``since`` the ISO date from which it holds;
    ``gravity`` 0 quiet, 1 look again, 2 act in weeks, 3 act in days, 4 act at once.
    """

    state: str
    since: str | None
    gravity: int
    pace: Mapping[str, Pace] = field(default_factory=dict)
    joint_p: float | None = None
    """One-sided probability of so joint a rise of the fault gases by chance; None with fewer than four samples."""
    why: tuple[str, ...] = ()
    """Sentences: what made the state and its gravity."""
    steps: tuple[str, ...] = ()
    """What changed with this very sample, e.g. ``confirmed``, ``table_crossed``, ``rate_doubled``."""
    as_of: str | None = None
    """Of an on-line series: the last UTC day that was looked at, ISO date; None: it is that with the very sample."""


@dataclass(frozen=True, slots=True)
class Certainty:
    """Probabilities under measurement uncertainty, from seeded draws."""

    draws: int
    status: Mapping[str, float]
    zones: Mapping[str, Mapping[str, float]]
    """By method, the probability of each zone above one per cent."""
    rising: Mapping[str, float]
    """By gas, the probability that it rises."""


@dataclass(frozen=True, slots=True)
class FaultCall:
    """The fault a pattern suggests, in the words of IEC 60599 (PD, D1, D2, T1, T2, T3, S ...)."""

    code: str
    name: str
    """Plain words, e.g. ``thermal fault above 700 °C``."""
    agreement: str
    """Which methods agree and which do not, in words."""
    confidence: float | None = None
    """Probability 0-1 of ``code``; None for a mixture, of which no labelled case is known."""
    probabilities: Mapping[str, float] = field(default_factory=dict)
    """Of each fault class, see docs/decisions/fault-call.md."""
    basis: str = "level"
    """``level``, or ``increment`` when the new gas alone was judged."""
    mixture: str | None = None
    """In words, where methods or level and increment point to different families of faults."""
    other_cause: str | None = None
    """In words, what else may have made the gas; where that is likely, ``confidence`` is lowered for it."""
    other_cause_source: str | None = None


@dataclass(frozen=True, slots=True)
class Assessment:
    """What the engine says of one sample.

    ``status`` is the DGA status 1-3 of the norm set named in ``norm_set``, or None when no norm gas was
    measured (``status_reasons`` then says so).
    """

    status: int | None
    suspect: bool
    """True when a confirmation sample is asked for before this sample is believed."""
    status_reasons: tuple[str, ...]
    norm_set: str
    rule_set: str
    methods: Mapping[str, MethodCall] = field(default_factory=dict)
    rates: Mapping[str, Rate] = field(default_factory=dict)
    deltas: Mapping[str, float] = field(default_factory=dict)
    """Change against the reference sample [µL/L]."""
    nei_oil: float | None = None
    """Normalized energy intensity [kJ/kL]."""
    relative_saturation: float | None = None
    """Relative saturation of water in oil at the oil's temperature [%]."""
    fault: FaultCall | None = None
    no_fault: str | None = None
    """In words, why no fault is named above status 1."""
    findings: tuple[Finding, ...] = ()
    doubtful: bool = False
    """True when the sample itself is in doubt (air, a slip of the pen): ``doubted_gases`` raise no alarm alone, unless
    they are extreme."""
    doubted_gases: tuple[str, ...] = ()
    """Norm gases in doubt; the others are judged as ever."""
    online: bool = False
    """True for a reading of an instrument."""
    waiting: bool = False
    """True when an earlier suspect sample waits still: this one has none of the gases in question."""
    judged_gases: tuple[str, ...] = ()
    """Norm gases whose level could be judged."""
    looked_at: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """What needs no status, by the rule of its findings, e.g. ``water``: the quantities that could be judged."""
    increments: Mapping[str, MethodCall] = field(default_factory=dict)
    """Zone methods on the new gas alone, e.g. ``duval_triangle_1/since_reference``."""
    numbers: Mapping[str, float] = field(default_factory=dict)
    """Further figures by name: ``tdcg``, ``nei_paper``, ``co2_co``, ``paper_water`` ... (units in NUMBER_UNITS)."""
    trends: Mapping[str, Trend] = field(default_factory=dict)
    certainty: Certainty | None = None
    course: Course | None = None
    """None where it is not worked out, e.g. for samples without a number. That of a reading is not stored with it: it
    is told once a day, and goes with the readings that came after."""
    norm_sets: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    """By norm set and gas: 0 typical, 1 above the typical limit, 2 above the high one; all sets side by side."""

    def to_json(self) -> dict[str, Any]:
        """A dictionary of plain JSON types."""
        whole = _flat(self)
        for name in ("methods", "rates", "increments", "trends"):
            whole[name] = {key: _flat(value) for key, value in whole[name].items()}
        for name in ("fault", "certainty"):
            whole[name] = None if whole[name] is None else _flat(whole[name])
        if self.course is not None:
            pace = {gas: _flat(one) for gas, one in self.course.pace.items()}
            whole["course"] = _flat(self.course) | {"pace": pace}
        return whole | {
            "deltas": dict(self.deltas),
            "numbers": dict(self.numbers),
            "looked_at": dict(self.looked_at),
            "findings": [_flat(f) for f in self.findings],
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Self:
        """The inverse of :meth:`to_json`; an unknown key is an error, so a stored form never rots unseen."""
        rest = dict(data)
        certainty, course = rest.pop("certainty", None), rest.pop("course", None)
        return cls(
            methods={k: MethodCall(**v) for k, v in rest.pop("methods").items()},
            rates={k: Rate(**v) for k, v in rest.pop("rates").items()},
            deltas=dict(rest.pop("deltas")),
            fault=FaultCall(**fault) if (fault := rest.pop("fault")) else None,
            findings=tuple(
                Finding(**{**f, "severity": Severity(f["severity"])}) for f in rest.pop("findings")
            ),
            status_reasons=tuple(rest.pop("status_reasons")),
            judged_gases=tuple(rest.pop("judged_gases", ())),
            looked_at={k: tuple(v) for k, v in rest.pop("looked_at", {}).items()},
            doubted_gases=tuple(rest.pop("doubted_gases", ())),
            increments={k: MethodCall(**v) for k, v in rest.pop("increments", {}).items()},
            trends={k: _trend(v) for k, v in rest.pop("trends", {}).items()},
            certainty=Certainty(**certainty) if certainty else None,
            course=_course(course) if course else None,
            **rest,
        )


def _flat(one: Any) -> dict[str, Any]:
    """Fields by name, one level deep: the standard library's ``asdict`` copies every leaf, at twenty times the time."""
    return {name: getattr(one, name) for name in _names(one.__class__)}


@cache
def _names(kind: type) -> tuple[str, ...]:
    """Names of the fields of a dataclass; to look them up a hundred times a sample costs more than to read them."""
    return tuple(one.name for one in fields(kind))


def _trend(data: Mapping[str, Any]) -> Trend:
    days = data.get("days_to_limit")
    return Trend(**{**data, "days_to_limit": None if days is None else tuple(days)})


def _course(data: Mapping[str, Any]) -> Course:
    pace = {gas: Pace(**one) for gas, one in data["pace"].items()}
    return Course(**{**data, "pace": pace, "why": tuple(data["why"]), "steps": tuple(data["steps"])})
