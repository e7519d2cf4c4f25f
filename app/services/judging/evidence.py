"""What judged samples show the alerts, in the form in which :mod:`app.services.alerting` takes it."""

from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from app.domain.alerting.condition import OfSamples
from app.domain.alerting.conditions.registry import evidence
from app.domain.alerting.decisions import LABORATORIES
from app.domain.alerting.shown import Evidence, Speaker, of_assessment
from app.domain.findings import Assessment
from app.domain.model import EventKind, ServiceEvent, Source, SourceKind
from app.store.judging.assessments import Judged


@dataclass(frozen=True, slots=True)
class SampleEvidence:
    """A sample that may move alerts: what it shows, and its assessment, worked out only when it is needed."""

    sample_id: int
    taken_at: datetime
    evidence: Mapping[OfSamples, Evidence]
    assess: Callable[[], Assessment]


def acts_of(events: Sequence[ServiceEvent]) -> tuple[datetime, ...]:
    """When work on the oil or the unit, or a review, was recorded, oldest first; a calibration is none of the unit."""
    return tuple(
        sorted(
            e.at
            for e in events
            if e.kind is EventKind.REVIEW
            or (e.kind.restarts_baseline and e.kind is not EventKind.CALIBRATION)
        )
    )


def last_act(acts: Sequence[datetime], at: datetime) -> datetime | None:
    """The newest that is not later."""
    place = bisect_right(acts, at)
    return acts[place - 1] if place else None


def evidence_of(
    source: Source, judged: Sequence[Judged], acts: Sequence[datetime] = ()
) -> list[SampleEvidence]:
    """Judged samples as what they show; ``acts`` as :func:`acts_of` gives them."""
    online = source.kind is SourceKind.INSTRUMENT
    speaker = source.code if online else LABORATORIES
    return [
        SampleEvidence(
            one.sample_id,
            one.taken_at,
            evidence(
                of_assessment(
                    one.assessment, Speaker(speaker, online, one.taken_at, last_act(acts, one.taken_at))
                )
            ),
            lambda one=one: one.assessment,  # type: ignore[misc]
        )
        for one in judged
    ]
