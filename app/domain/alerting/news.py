"""What changed about the alerts of a subject: the input of a mail."""

from dataclasses import dataclass
from datetime import datetime

from app.domain.alerting.condition import OfSamples
from app.domain.alerting.states import Change
from app.domain.findings import Assessment


@dataclass(frozen=True, slots=True)
class SampleChange:
    """One transition of one alert that samples raise."""

    alert_id: int
    event_id: int
    condition: OfSamples
    change: Change


@dataclass(frozen=True, slots=True)
class AlertNews:
    """Everything one sample changed, so that one sample makes at most one mail per contact."""

    sample_id: int
    compartment_id: int
    taken_at: datetime
    source_name: str
    changes: tuple[SampleChange, ...]
    assessment: Assessment
