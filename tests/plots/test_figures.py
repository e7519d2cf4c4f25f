"""Figures are plain JSON with what the chart needs and nothing that phones home."""

import json
import math
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from app.plots.figure import CONFIG
from app.plots.palette import MARKS, SVG_PATHS, marker_svg
from app.plots.sparkline import sparkline
from app.plots.trend import EventLine, NormLine, TrendInput, TrendPoint, trend
from app.plots.zones import PathPoint, pentagon, triangle
from app.science.diagnosis.pentagons import PENTAGON_1_VERTICES
from app.science.diagnosis.triangles import TRIANGLE_1_VERTICES
from app.science.quantities import GASES

NOON = datetime(2026, 7, 1, 12, tzinfo=UTC)


def day(n: int, value: float, below: bool = False) -> TrendPoint:
    return TrendPoint(NOON + timedelta(days=n), value, below)


def drawn(**changes: Any) -> dict[str, Any]:
    given: dict[str, Any] = {
        "quantity": "c2h2",
        "laboratory": [day(0, 0.5, below=True), day(100, 3.0), day(200, 40.0)],
        "online": [],
        "norms": [NormLine(2.0, "Table 1: 2", strong=False), NormLine(7.0, "Table 2: 7", strong=True)],
        "events": [EventLine(NOON + timedelta(days=50), "degassing")],
        "window": (NOON, NOON + timedelta(days=200)),
        "time_zone": "Europe/Helsinki",
    }
    return trend(TrendInput(**{**given, **changes}))


def test_each_gas_has_its_own_colour_and_marker() -> None:
    assert set(GASES) <= set(MARKS)
    assert len({MARKS[gas].color for gas in GASES}) == len(GASES)
    assert len({MARKS[gas].symbol for gas in GASES}) == len(GASES)
    assert all(SVG_PATHS[style.symbol] in marker_svg(name) for name, style in MARKS.items())


def test_a_reading_below_its_limit_is_an_open_marker_at_the_limit() -> None:
    (line,) = drawn()["data"]
    assert line["marker"]["symbol"] == ["star-open", "star", "star"]
    assert line["y"][0] == 0.5
    assert line["text"][0] == "C₂H₂ < 0.5 µL/L"


def test_times_are_drawn_in_the_sites_zone() -> None:
    (line,) = drawn()["data"]
    assert line["x"][0] == "2026-07-01T15:00:00"  # 12:00 UTC is 15:00 in Helsinki in summer


def test_laboratory_and_online_differ_in_form_not_in_colour() -> None:
    online = [day(n, 1.0 + n / 10, below=n == 0) for n in range(150, 200)]
    data = drawn(online=online)["data"]
    assert [trace["name"] for trace in data] == ["on-line", "laboratory"]
    assert data[0]["mode"] == "lines"
    assert data[0]["line"]["color"] == data[1]["line"]["color"]


def test_norms_and_events_are_lines_and_both_scales_have_their_labels() -> None:
    figure = drawn()
    shapes = figure["layout"]["shapes"]
    assert [s["y0"] for s in shapes[:2]] == [2.0, 7.0]
    assert shapes[2]["x0"] == "2026-08-20T15:00:00"
    assert figure["meta"]["linear"]["labels"] == [2.0, 7.0]
    assert figure["meta"]["log"]["labels"] == pytest.approx([math.log10(2), math.log10(7)])


def test_the_first_norm_is_in_sight_of_low_values_and_the_second_only_near_it() -> None:
    low = drawn(laboratory=[day(0, 0.2), day(9, 0.3)])["layout"]["yaxis"]["range"]
    assert 2.0 < low[1] < 7.0
    near = drawn(laboratory=[day(0, 1.5), day(9, 1.9)])["layout"]["yaxis"]["range"]
    assert near[1] > 7.0


def test_a_long_series_is_thinned() -> None:
    online = [day(0, 5.0 + (n % 7)) for n in range(20_000)]
    assert len(drawn(online=online)["data"][0]["x"]) <= 1_000


def test_a_point_lies_inside_the_zone_drawn_for_it() -> None:
    """IEEE C57.104-2019, D.4 prints CH4 25, C2H4 15, C2H2 10 -> 50/30/20 % -> D2."""
    zones = {code: ring.tolist() for code, ring in TRIANGLE_1_VERTICES.items()}
    figure = triangle(zones, ("CH₄", "C₂H₄", "C₂H₂"), [PathPoint((50.0, 30.0, 20.0), "printed example")])
    path = figure["data"][-1]
    assert (path["a"], path["c"], path["b"]) == ([50.0], [30.0], [20.0])
    assert path["marker"]["size"] == [14]
    drawn_zones = [trace["name"] for trace in figure["data"] if trace.get("fill")]
    assert drawn_zones == list(TRIANGLE_1_VERTICES)


def test_a_pentagon_without_samples_still_shows_its_zones() -> None:
    zones = {code: ring.tolist() for code, ring in PENTAGON_1_VERTICES.items()}
    figure = pentagon(zones, {"H₂": (0.0, 40.0)}, [])
    assert [trace["name"] for trace in figure["data"] if trace.get("fill")] == list(PENTAGON_1_VERTICES)


def test_figures_are_json_and_never_offer_an_upload() -> None:
    figure = json.loads(json.dumps(drawn(), allow_nan=False))
    assert figure["config"] == CONFIG
    assert (CONFIG["showSendToCloud"], CONFIG["plotlyServerURL"], CONFIG["displaylogo"]) == (False, "", False)


def test_a_sparkline_needs_two_points_and_keeps_inside_its_box() -> None:
    assert sparkline([(0.0, 1.0)], "h2") == ""
    svg = sparkline([(0.0, 1.0), (5.0, 9.0), (9.0, 4.0)], "h2", limit=8.0)
    places = svg.split('points="')[1].split('"')[0].split()
    assert len(places) == 3
    assert all(0 <= float(p.split(",")[0]) <= 96 and 0 <= float(p.split(",")[1]) <= 22 for p in places)
    assert 'class="limit"' in svg
