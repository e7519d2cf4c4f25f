"""Files to take away over HTTP."""

import csv
import io
import re
import sys
from datetime import UTC, datetime

import openpyxl
import pandas as pd
import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from app.config import Settings
from app.domain.model import Reading, Sample
from app.services.recording.record_samples import BatchTerms, record_samples
from app.store.database import Database
from app.web.app import create_app
from app.web.pages import exports
from app.web.server import problems

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)


@pytest.fixture
def client(fleet_database: Database) -> TestClient:
    readings = {"h2": Reading("h2", value=2400.0), "c2h2": Reading("c2h2", below=0.5)}
    batch = [Sample(unit, "main", "LAB", NOW, readings) for unit in ("W-T1", "E-R1")]
    record_samples(fleet_database, "LAB", batch, NOW, BatchTerms(""))
    app = FastAPI()
    app.state.database = fleet_database
    problems.install(app)
    app.include_router(exports.router)
    return TestClient(app, raise_server_exceptions=False)


def test_a_units_samples_as_csv(client: TestClient) -> None:
    answer = client.get("/exports/samples.csv?asset=W-T1")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert answer.headers["content-disposition"] == 'attachment; filename="ullage-W-T1-samples.csv"'
    (row,) = csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig")))
    assert (row["asset"], row["h2"], row["c2h2"]) == ("W-T1", "2400.0", "<0.5")


def test_the_fleets_alerts_as_a_workbook(client: TestClient) -> None:
    answer = client.get("/exports/alerts.xlsx")
    assert answer.headers["content-disposition"] == 'attachment; filename="ullage-fleet-alerts.xlsx"'
    header, *rows = openpyxl.load_workbook(io.BytesIO(answer.content))["alerts"].iter_rows(values_only=True)
    assert header[0] == "asset"
    assert {row[0] for row in rows} == {"W-T1", "E-R1"}


def test_a_units_samples_as_parquet(client: TestClient) -> None:
    answer = client.get("/exports/samples.parquet?asset=W-T1")
    assert answer.headers["content-type"] == "application/vnd.apache.parquet"
    assert answer.headers["content-disposition"] == 'attachment; filename="ullage-W-T1-samples.parquet"'
    (row,) = pd.read_parquet(io.BytesIO(answer.content)).to_dict("records")
    assert (row["asset"], row["h2"], row["c2h2"], row["c2h2_below"]) == ("W-T1", 2400.0, 0.5, True)


def test_without_pyarrow_the_page_offers_no_parquet_and_the_address_says_why(
    client: TestClient, fleet_database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    answer = client.get("/exports/samples.parquet")
    assert answer.status_code == 501
    assert "pip install" in answer.text
    application = create_app(Settings.model_validate({"allowed_hosts": "testserver"}), fleet_database)
    assert ".parquet" not in TestClient(application).get("/").text


@pytest.mark.parametrize(
    ("path", "status", "says"),
    [
        ("samples.csv?asset=W-T9", 404, "no asset has the code 'W-T9'"),
        ("samples.csv?site=Q", 404, "no site has the code 'Q'"),
        ("samples.csv?asset=%00", 422, "asset: holds a control character (U+0000)"),
        ("samples.csv?asset=W-T1&site=W", 422, "not for both"),
        ("mails.csv", 422, ""),
        ("samples.pdf", 422, ""),
    ],
)
def test_what_cannot_be_had_is_told(client: TestClient, path: str, status: int, says: str) -> None:
    answer = client.get(f"/exports/{path}")
    assert answer.status_code == status
    assert says in answer.text


def test_the_pages_of_fleet_and_unit_offer_the_files(fleet_database: Database) -> None:
    application = create_app(Settings.model_validate({"allowed_hosts": "testserver"}), fleet_database)
    browser = TestClient(application)
    for page, query in (("/", ""), ("/assets/W-T1", "?asset=W-T1")):
        html = browser.get(page).text
        links = set(re.findall(r'href="(/exports/[^"]+)"', html))
        kinds, forms = ("samples", "assessments", "alerts"), ("csv", "xlsx", "parquet")
        assert links == {f"/exports/{kind}.{form}{query}" for kind in kinds for form in forms}
        assert all(browser.get(link).status_code == 200 for link in links)
