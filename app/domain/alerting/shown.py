"""What one sample shows the alerts, as small values: the same whether it was judged in full or as a row of columns.

:func:`of_assessment` reads them off an assessment, :class:`app.domain.alerting.online_shown.OnlineShown` off the
columns of on-line readings. What they mean for a condition, the condition says
(:meth:`app.domain.alerting.condition.OfSamples.shown`).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from app.domain.findings import Assessment, Finding, Severity


@dataclass(frozen=True, slots=True)
class Speaker:
    """Whose sample it is, and when it was taken. ``source``: a code, or that of all laboratories.

    ``acted_at``: when work on the oil, or a review of the unit, was last recorded before it.
    """

    source: str
    online: bool
    at: datetime | None = None
    acted_at: datetime | None = None


Returns = Mapping[int, Mapping[str, float]]
"""By severity and gas: the value [µL/L] at or below which that gas has fallen back."""


@dataclass(frozen=True, slots=True)
class Standing:
    """What a sample shows of something that needs no status.

    ``raising``: quantities that raise it; ``judged``: those that could have.
    """

    severity: int
    raising: tuple[str, ...]
    judged: frozenset[str]
    readings: Mapping[str, float] = field(default_factory=dict, compare=False)
    back: Mapping[str, float] = field(default_factory=dict, compare=False)
    """Of on-line readings only: what was read, and what those that raise it must fall back to before it is over."""


@dataclass(frozen=True, slots=True)
class Shown:
    """Everything about one sample that a condition may be decided by.

    Attributes:
        status: 1-3, without what its own points do not bear out, 0 for none. by_level: the status that the levels
            alone give.
        suspect: its change is not believed yet, or was refuted. doubtful: the sample itself is in doubt; then levels
            and gases are those that are not.
        waiting: an earlier suspect sample waits still. soon: all that asks for another sample is a rate that its points
            do not bear out, of a unit whose next sample comes within weeks anyway. extreme: a result calls for action
            at once.
        fault: the code of the fault call. raising: gases above a limit. judged: gases whose level could be judged.
        standing: by rule, what needs no status; a rule that could judge nothing is left out.
        gravity, steps: of the course, with this sample; None for on-line readings, whose course is not of one sample.
        readings: values of the gases [µL/L]; of on-line readings only, like what follows.
        returns: of gases whose change raises it. levels: by severity, gases whose level does. left: of every level.
    """

    speaker: Speaker
    status: int
    by_level: int
    suspect: bool
    extreme: bool
    doubtful: bool = False
    waiting: bool = False
    soon: bool = False
    fault: str | None = None
    raising: tuple[str, ...] = ()
    judged: frozenset[str] = frozenset()
    standing: Mapping[str, Standing] = field(default_factory=dict)
    gravity: int | None = None
    steps: tuple[str, ...] = ()
    readings: Mapping[str, float] = field(default_factory=dict, compare=False)
    returns: Returns = field(default_factory=dict, compare=False)
    levels: Mapping[int, tuple[str, ...]] = field(default_factory=dict, compare=False)
    left: Returns = field(default_factory=dict, compare=False)


def of_assessment(assessment: Assessment, speaker: Speaker) -> Shown | None:
    """What an assessment shows; None where nothing of it could be judged."""
    if assessment.status is None and not assessment.looked_at and assessment.course is None:
        return None
    findings = assessment.findings
    dropped = any(f.rule == "dropped" for f in findings)
    rules = {"level", "delta", "rate", "extreme"}
    raising = {
        f.quantity for f in findings if f.rule in rules and f.quantity and not _in_doubt(assessment, f)
    }
    return Shown(
        speaker,
        borne_status(assessment),
        by_level=by_level(assessment),
        # one that a later sample of the same batch has refuted already was suspect when it came
        suspect=assessment.suspect or dropped,
        extreme=any(f.rule == "extreme" for f in findings) and not dropped,
        doubtful=assessment.doubtful,
        waiting=assessment.waiting,
        soon=_comes_soon(assessment),
        fault=assessment.fault.code if assessment.fault else None,
        raising=tuple(sorted(raising)),
        # what is in doubt eases nothing
        judged=frozenset() if assessment.doubtful else frozenset(assessment.judged_gases),
        standing={
            rule: _standing([f for f in findings if f.rule == rule], quantities)
            for rule, quantities in assessment.looked_at.items()
        },
        gravity=assessment.course.gravity if assessment.course else None,
        steps=assessment.course.steps if assessment.course else (),
    )


def _standing(findings: Sequence[Finding], looked_at: Sequence[str]) -> Standing:
    grave = [f for f in findings if f.severity > 0]
    return Standing(
        max((int(f.severity) for f in grave), default=0),
        tuple(sorted({f.quantity for f in grave if f.quantity})),
        frozenset(looked_at),
    )


def _in_doubt(assessment: Assessment, finding: Finding) -> bool:
    return finding.rule != "extreme" and finding.quantity in assessment.doubted_gases


SOON: Final = timedelta(days=45)
"""Mean time between the samples of a rate up to which the next one is as good as one that would be asked for; ours."""


def _comes_soon(assessment: Assessment) -> bool:
    """The course makes nothing of the sample, and those of the rates above their norms came every month or so."""
    rates = [assessment.rates[f.quantity] for f in assessment.findings if f.rule == "rate" and f.quantity]
    if not rates or assessment.course is None or assessment.course.gravity or assessment.doubtful:
        return False
    return all(r.span_days <= SOON.days * (r.points - 1) for r in rates)


def borne_status(assessment: Assessment) -> int:
    """The status, but 2 where only a rate makes it 3 that its own points do not bear out; 0 without one."""
    unborne = any(f.rule == "rate" and f.severity < Severity.HIGH for f in assessment.findings)
    grave = any(f.severity is Severity.HIGH for f in assessment.findings)
    return min(assessment.status or 0, 2 if unborne and not grave else 3)


def by_level(assessment: Assessment) -> int:
    """The status that the levels alone give, of gases that are not in doubt."""
    levels = (f for f in assessment.findings if f.rule == "level" and not _in_doubt(assessment, f))
    return max((int(f.severity) for f in levels), default=1)


def gravity_alone(assessment: Assessment) -> int:
    """What a sample shows without its course: 4 extreme, else its status from 2 on as far as it is believed."""
    if any(f.rule == "extreme" for f in assessment.findings):
        return 4
    status = by_level(assessment) if assessment.suspect else borne_status(assessment)
    return status if status > 1 else 0


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a sample shows about a condition: ``severity`` 0 when there is nothing to tell.

    ``gases`` are those that raise it, ``judged`` those that could have: a sample eases only what it measured.
    """

    source: str
    online: bool
    severity: int
    fault: str | None = None
    at: datetime | None = None
    gases: tuple[str, ...] = ()
    judged: frozenset[str] | None = None
    """None when the sample can ease anything."""
    steps: tuple[str, ...] = ()
    """Of the course."""
    readings: Mapping[str, float] = field(default_factory=dict)
    returns: Returns = field(default_factory=dict)
    levels: Mapping[int, tuple[str, ...]] = field(default_factory=dict)
    left: Returns = field(default_factory=dict)
    """Where given, the source eases only when what raised it has fallen back, after an act, or after a year."""
    acted_at: datetime | None = None
