"""What changed about the alerts of a compartment because of one sample: the input of a mail."""

from dataclasses import dataclass
from datetime import datetime

from app.domain.findings import Assessment


@dataclass(frozen=True, slots=True)
class AlertChange:
    """One transition of one alert; ``reason`` is a value of :class:`app.domain.alerting.decisions.Reason`."""

    alert_id: int
    event_id: int
    condition: str
    reason: str
    from_state: str
    to_state: str
    severity: int
    previous_status: int | None


@dataclass(frozen=True, slots=True)
class AlertNews:
    """Everything one sample changed, so that one sample makes at most one mail per contact."""

    sample_id: int
    compartment_id: int
    taken_at: datetime
    source_name: str
    changes: tuple[AlertChange, ...]
    assessment: Assessment
