"""The page of an instrument: findings in words, agreement in numbers, figures as data."""

from datetime import UTC, datetime, timedelta

import pytest
from fastapi.testclient import TestClient
from fleet_cast import FLEET

from app.config import load_settings
from app.domain.instruments.findings import InstrumentFinding, Kind
from app.domain.model import Reading, Sample
from app.services.recording.record_samples import BatchTerms, record_samples
from app.services.registering.load_fleet import load_fleet
from app.store.database import Database
from app.store.instruments import instrument_findings
from app.store.registering.source_lookup import find_source
from app.web.app import create_app

DAY = timedelta(days=1)
NOW = datetime(2026, 3, 11, 9, 30, tzinfo=UTC)


@pytest.fixture
def client(sqlite_database: Database) -> TestClient:
    """W-T2-M says CO 420 for 80 days where the laboratory says 300, and 20 for hydrogen, as the laboratory does."""
    database, now = sqlite_database, NOW
    load_fleet(database, FLEET.read_text(encoding="utf-8"), "fleet.yaml")
    online = [
        Sample(
            "W-T2",
            "main",
            "W-T2-M",
            now - d * DAY,
            {"co": Reading("co", value=420.0 + d % 7), "h2": Reading("h2", value=20.0 + d % 3)},
        )
        for d in range(80, 0, -1)
    ]
    lab = [
        Sample(
            "W-T2",
            "main",
            "LAB",
            now - d * DAY,
            {"co": Reading("co", value=300.0 + d % 5), "h2": Reading("h2", value=19.0 + d % 4)},
        )
        for d in (75.2, 50.2, 25.2, 5.2)
    ]
    record_samples(database, "W-T2-M", online, now, BatchTerms("http://ullage.example"))
    record_samples(database, "LAB", lab, now, BatchTerms("http://ullage.example"))
    with database.write() as connection:
        source = find_source(connection, "W-T2-M")
        assert source is not None
        for kind, ends in ((Kind.STUCK, None), (Kind.STEP, now - 9 * DAY)):
            found = InstrumentFinding(
                kind, "h2", now - 9 * DAY, ends, f"H₂ is {kind} since {{since}}. <Compare.>", {"value": 1.0}
            )
            instrument_findings.add(connection, source.id, source.compartments["main"], found, now)
    return TestClient(create_app(load_settings({}), database, lambda: NOW), base_url="http://localhost")


def test_findings_agreement_and_cautions_are_told(client: TestClient) -> None:
    text = client.get("/instruments/W-T2-M").text
    assert "Monitor on W-T2" in text
    assert "H<sub>2</sub> is stuck since 20" in text
    assert "&lt;Compare.&gt;" in text
    assert "1 of the last year that is over" in text
    assert "nothing here lowers what is said of the unit" in text
    assert "the unit is energized" in text
    assert "out of band" in text
    assert "in band" in text
    assert "4 of 4" in text
    assert "None on record." in text  # maintenance


def test_figures_have_each_gas_over_time_and_then_the_differences(client: TestClient) -> None:
    answer = client.get("/instruments/W-T2-M/figures/agreement?compartment=main&range=6m").json()
    labels = [item["label"] for item in answer["figures"]]
    assert labels == [
        "hydrogen, on-line and laboratory",
        "carbon monoxide, on-line and laboratory",
        "hydrogen, on-line less laboratory",
        "carbon monoxide, on-line less laboratory",
    ]
    over_time, difference = answer["figures"][1]["figure"], answer["figures"][3]["figure"]
    assert [t["name"] for t in over_time["data"]] == [
        "least",
        "greatest",
        "on-line, daily median",
        "laboratory",
    ]
    (pairs,) = difference["data"]
    assert len(pairs["y"]) == 4
    assert all(35.0 < y < 45.0 for y in pairs["y"])  # per cent
    assert difference["layout"]["shapes"][0]["y1"] == pytest.approx(20.0)
    short = client.get("/instruments/W-T2-M/figures/agreement?compartment=main&range=6m").json()
    assert short == answer


def test_an_instrument_that_never_spoke_has_a_page(client: TestClient) -> None:
    text = client.get("/instruments/W-T1-M").text
    assert "have not been looked at yet" in text
    assert "No pair yet" in text
    answer = client.get("/instruments/W-T1-M/figures/agreement?compartment=tap+changer").json()
    assert answer["figures"] == []


@pytest.mark.parametrize(
    "path",
    [
        "/instruments/NONE",
        "/instruments/LAB",  # a laboratory is no instrument
        "/instruments/NONE/figures/agreement?compartment=main",
        "/instruments/W-T2-M/figures/agreement?compartment=none",
    ],
)
def test_what_is_not_there_is_404(client: TestClient, path: str) -> None:
    assert client.get(path).status_code == 404
