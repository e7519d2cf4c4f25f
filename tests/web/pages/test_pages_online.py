"""The page of a unit: the course of its on-line series, what its watch sees, and until when it is blind."""

from datetime import UTC, datetime, timedelta

from fastapi.testclient import TestClient
from fleet_cast import FLEET, URL

from app.config import load_settings
from app.domain.model import Reading, Sample
from app.services.recording.record_samples import BatchTerms, record_samples
from app.services.registering.load_fleet import load_fleet
from app.services.watching.watch_days import watch_due
from app.store.database import Database
from app.web.app import create_app

DAY = timedelta(days=1)
NOW = datetime(2026, 3, 11, 9, 30, tzinfo=UTC)


def page(database: Database, factor: float) -> str:
    """Of a unit whose C2H4 has been read for ninety days, and in the last five so many times as high."""
    load_fleet(database, FLEET.read_text(encoding="utf-8"), "fleet.yaml")
    some = []
    for d in range(90, 0, -1):
        gases = {"h2": 10.0 + d % 3, "ch4": 6.0, "c2h6": 4.0, "c2h2": 0.0}
        gases["c2h4"] = (8.0 + 0.1 * (d % 4)) * (factor if d <= 5 else 1.0)
        readings = {gas: Reading(gas, value=value) for gas, value in gases.items()}
        some.append(Sample("W-T2", "main", "W-T2-M", NOW - d * DAY, readings))
    record_samples(database, "W-T2-M", some, NOW, BatchTerms(URL))
    client = TestClient(create_app(load_settings({}), database, lambda: NOW), base_url="http://localhost")
    assert "has been looked at yet: each is looked at once it is over" in client.get("/assets/W-T2").text
    assert 'id="online"' not in client.get("/assets/W-T1?compartment=tap+changer").text
    assert watch_due(database, NOW, URL) == 1
    found = client.get("/assets/W-T2")
    assert found.status_code == 200
    return found.text


def test_a_young_watch_says_how_long_it_is_blind(sqlite_database: Database) -> None:
    text = page(sqlite_database, 1.0)
    assert "On-line course" in text
    assert "quiet (on-line, up to 2026-03-10)</h3>" in text
    assert "By the days up to 2026-03-10 the on-line record is quiet." in text
    assert "Pace by medians of a week" in text
    assert "Watching since 2025-12-11, without oil temperature and load." in text
    assert (
        "The watch is still blind for small changes, until about 2026-12-10: 90 of 365 days are learned."
        in text
    )
    assert "Take a laboratory sample; this raises no status." not in text


def test_a_coarse_step_is_shown_with_size_energy_and_pace(sqlite_database: Database) -> None:
    text = page(sqlite_database, 4.0)
    assert "rising since 2026-03-06 (on-line, up to 2026-03-10)</h3>" in text
    assert "<b>On-line change, fast</b>: C<sub>2</sub>H<sub>4</sub> +263 % since about 2026-03-06." in text
    assert "Take a laboratory sample; this raises no status." in text
    assert "2026-03-06 to 2026-03-10: +0.112 kJ/kL" in text
    assert "Pace by medians" not in text  # five days give none
