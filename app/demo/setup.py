"""Fills an empty database with the invented fleet and its record, through the services that real data takes."""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Final

from app.demo.fleet import FLEET_FILE, DemoFleet
from app.demo.history import Demo
from app.domain.model import Sample
from app.errors import RefusedError
from app.services.alerting.handle_alert import acknowledge, shelve
from app.services.pages.alert_views import alert_groups
from app.services.recording.record_samples import BatchTerms, record_samples
from app.services.registering.load_fleet import load_fleet
from app.services.registering.register import issue_instrument_key
from app.store.database import Database

Say = Callable[[str], None]

BATCH: Final = 1_000
ACKNOWLEDGED: Final = {
    "ZEP-T1": "Tap changer seal is known to weep; acetylene steady, seal on the list of the next outage.",
    "MAR-T1": "Joint repaired, oil degassed; every sample since is normal.",
    "MAR-T2": "Paper ages as its age lets expect; furan analysis with the next sample.",
}
SHELVED: Final = {"ZEP-R1": "Stray gassing agreed with the maker; look again with the spring sample."}
PLANNER: Final = "Ilvane Dovrell"
SHELF: Final = timedelta(days=120)


class SetupError(RefusedError):
    """The demo's own data was refused: the fleet file or the generator has been changed badly."""


def prepare(database: Database, fleet: DemoFleet, demo: Demo, public_url: str, say: Say) -> int:
    """Load the fleet, record the history, handle the alerts that somebody would long have handled.

    Returns:
        The number of samples recorded.

    Raises:
        FleetFileError: the fleet file has problems.
        SetupError: a sample of the history was refused.
    """
    now = demo.end
    report = load_fleet(database, fleet.text, FLEET_FILE.name)
    say(f"fleet: {report.total('created')} sites, units, instruments, contacts and events")
    context = BatchTerms(public_url)
    laboratory = demo.laboratory(fleet.laboratory.code, [a.code for a in fleet.assets])
    count = _record(database, fleet.laboratory.code, laboratory, now, context)
    say(f"{fleet.laboratory.code}: {count} laboratory samples of six years")
    for instrument in fleet.instruments:
        online = _record(database, instrument.code, demo.online_history(instrument), now, context)
        say(f"{instrument.code}: {online} on-line samples of one year")
        count += online
    handle_old_alerts(database, now)
    return count


def issue_keys(database: Database, fleet: DemoFleet, now: datetime) -> dict[str, str]:
    """A new key for every instrument, by instrument code."""
    return {i.code: issue_instrument_key(database, i.code, now) for i in fleet.instruments}


def _record(
    database: Database, source: str, samples: list[Sample], now: datetime, context: BatchTerms
) -> int:
    for start in range(0, len(samples), BATCH):
        outcomes = record_samples(database, source, samples[start : start + BATCH], now, context)
        for outcome in outcomes:
            if outcome.result == "rejected":
                raise SetupError(
                    f"{source}: a sample of the demo was rejected: {outcome.field}: {outcome.reason}"
                )
    return len(samples)


def handle_old_alerts(database: Database, now: datetime) -> None:
    """Acknowledge and shelve as the stories tell, so that the fleet looks lived in."""
    groups = alert_groups(database, "unacknowledged") + alert_groups(database, "returned")
    for alert in (alert for group in groups for alert in group.alerts):
        if note := ACKNOWLEDGED.get(alert.asset_code or ""):
            acknowledge(database, alert.id, PLANNER, note, now)
        elif note := SHELVED.get(alert.asset_code or ""):
            shelve(database, alert.id, now + SHELF, PLANNER, note, now)
