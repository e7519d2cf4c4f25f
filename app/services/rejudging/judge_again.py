"""Judge compartments again after what they are judged by was registered otherwise: quietly, and alerts follow."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime

from app.services.alerting.raise_alerts import News, raise_alerts
from app.services.judging.evidence import SampleEvidence
from app.services.rejudging.reassess import reassess
from app.store.alerting import alerts
from app.store.database import Connection, Database
from app.store.registering import fleet, source_lookup


@dataclass(frozen=True, slots=True)
class JudgedAgain:
    """How many samples were judged, how many assessments changed, and how many alerts eased or returned."""

    samples: int = 0
    changed: int = 0
    alerts: int = 0


def judge_again(database: Database, compartments: Collection[int], why: str, now: datetime) -> JudgedAgain:
    """Judge every sample of some compartments again, one transaction a series; earlier assessments are kept.

    The newest samples speak to the alerts, but nobody is mailed and nothing is raised: an alert eases or returns,
    with ``why`` in its history. What is graver than was known is left to the next sample, whose mail tells it.
    """
    followed = 0

    def follow(connection: Connection, compartment_id: int, speaking: Sequence[SampleEvidence]) -> None:
        nonlocal followed
        before = alerts.states_of(connection, [compartment_id])
        _speak(connection, compartment_id, speaking, why, now)
        after = alerts.states_of(connection, [compartment_id])
        followed += sum(_stands(one) != _stands(before.get(key)) for key, one in after.items())

    if not compartments:
        return JudgedAgain()
    judged, changed = reassess(database, now, only=set(compartments), follow=follow)
    return JudgedAgain(judged, changed, followed)


def _speak(
    connection: Connection, compartment_id: int, speaking: Sequence[SampleEvidence], why: str, now: datetime
) -> None:
    """Of an instrument as many of the newest speak as it takes to be believed."""
    if not speaking:
        return
    source = source_lookup.source_of_sample(connection, speaking[-1].sample_id)
    asset = fleet.compartment_context(connection, [compartment_id])[compartment_id].asset
    raise_alerts(connection, News(compartment_id, source.source, asset, "", why), speaking, now)


def _stands(alert: alerts.StoredAlert | None) -> tuple[str, int]:
    return (alert.state.state.value, alert.state.severity) if alert else ("normal", 0)
