"""The diagrams' path through time ends where the unit stands now, whoever measured last."""

from datetime import timedelta

import pytest
from fleet_cast import NOW

from app.domain.judging.methods import PICTURED
from app.domain.model import Reading, Sample
from app.services.pages.figures import DRAWINGS, diagram_figures
from app.services.recording.record_samples import BatchTerms, record_samples
from app.store.database import Database


def sample(source: str, days_ago: float, **gases: float) -> Sample:
    readings = {name: Reading(name, value=value) for name, value in gases.items()}
    return Sample("W-T1", "main", source, NOW - timedelta(days=days_ago), readings)


def test_the_path_goes_from_the_laboratory_to_the_newest_on_line_reading(fleet_database: Database) -> None:
    quiet = {"h2": 10.0, "ch4": 6.0, "c2h6": 4.0, "c2h4": 3.0, "c2h2": 1.0}
    hot = {"h2": 60.0, "ch4": 100.0, "c2h6": 40.0, "c2h4": 200.0, "c2h2": 2.0}
    context = BatchTerms("http://ullage.example")
    record_samples(fleet_database, "LAB", [sample("LAB", 200, **quiet)], NOW, context)
    record_samples(
        fleet_database, "W-T1-M", [sample("W-T1-M", 1, **hot), sample("W-T1-M", 0, **hot)], NOW, context
    )
    drawn = diagram_figures(fleet_database, "W-T1", "main")
    assert drawn is not None
    path = drawn["figures"][0]["figure"]["data"][-1]
    assert drawn["figures"][0]["count"] == 3
    assert path["a"][-1] == pytest.approx(100.0 * 100.0 / 302.0)
    assert path["a"][0] == pytest.approx(60.0)


def test_a_month_of_readings_leaves_the_laboratory_its_half_of_the_path(fleet_database: Database) -> None:
    quiet = {"h2": 10.0, "ch4": 6.0, "c2h6": 4.0, "c2h4": 3.0, "c2h2": 1.0}
    hot = {"h2": 60.0, "ch4": 100.0, "c2h6": 40.0, "c2h4": 200.0, "c2h2": 2.0}
    context = BatchTerms("http://ullage.example")
    laboratory = [sample("LAB", 30.0 * (i + 2), **quiet) for i in range(34)]
    record_samples(fleet_database, "LAB", laboratory, NOW, context)
    newest = sample("W-T1-M", 0, **hot | {"c2h4": 400.0})
    readings = [newest, *(sample("W-T1-M", i / 6.0, **hot) for i in range(1, 6 * 31))]
    record_samples(fleet_database, "W-T1-M", readings, NOW, context)
    drawn = diagram_figures(fleet_database, "W-T1", "main")
    assert drawn is not None
    path = drawn["figures"][0]["figure"]["data"][-1]
    shares = [round(share, 3) for share in path["a"]]
    assert shares[:30] == [60.0] * 30, "the newest of the laboratory"
    assert shares[30:-1] == [round(100.0 * 100.0 / 302.0, 3)] * (len(shares) - 31)
    assert shares[-1] == round(100.0 * 100.0 / 502.0, 3), "the newest reading"
    assert 25 < len(shares) - 30 <= 30


def test_every_picture_that_a_method_declares_is_drawn_with_its_zones(fleet_database: Database) -> None:
    drawn = diagram_figures(fleet_database, "W-T1", "main")
    assert drawn is not None
    assert {picture.kind for _, picture in PICTURED} == set(DRAWINGS)
    assert [figure["key"] for figure in drawn["figures"]] == [method.name for method, _ in PICTURED]
    for figure, (method, _) in zip(drawn["figures"], PICTURED, strict=True):
        zones = [trace["name"] for trace in figure["figure"].sent()["data"] if trace.get("fill")]
        assert sorted(zones) == sorted(method.codes)
