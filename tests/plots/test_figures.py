"""Figures are plotly's own, carry their look with them, and have what the chart needs and nothing that phones home."""

import json
import math
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import plotly.graph_objects as go
import pytest

from app.plots.agreement import DayPoint, Difference, Lines, beside_laboratory, differences
from app.plots.figure import CONFIG, FONT, Chart, chart, plain
from app.plots.palette import HAIRLINE, MARKS, SVG_PATHS, marker_svg
from app.plots.readings import TrendPoint
from app.plots.sparkline import sparkline
from app.plots.trend import EventLine, NormLine, TrendInput, trend
from app.plots.zones import PathPoint, pentagon, triangle
from app.science.diagnosis.pentagons import PENTAGON_1_VERTICES
from app.science.diagnosis.triangles import TRIANGLE_1_VERTICES
from app.science.quantities import GASES

NOON = datetime(2026, 7, 1, 12, tzinfo=UTC)
TRIANGLE = {code: ring.tolist() for code, ring in TRIANGLE_1_VERTICES.items()}
PENTAGON = {code: ring.tolist() for code, ring in PENTAGON_1_VERTICES.items()}


def day(n: int, value: float, below: bool = False) -> TrendPoint:
    return TrendPoint(NOON + timedelta(days=n), value, below)


def drawn(**changes: Any) -> Chart:
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


def beside(laboratory: list[TrendPoint]) -> Chart:
    days = [DayPoint(NOON + timedelta(days=n), 50.0 + n, 45.0 + n, 60.0 + n, n == 0) for n in range(5)]
    return beside_laboratory("h2", days, laboratory, (NOON, NOON + timedelta(days=5)), "UTC")


def compared(*, relative: bool) -> Chart:
    pairs = [Difference(50.0, 4.0, "a pair", counts=True), Difference(60.0, -9.0, "another", counts=False)]
    return differences("h2", pairs, Lines(2.0, -3.0, None, 20.0), relative=relative)


EVERY = {
    "trend": drawn(),
    "trend of both": drawn(online=[day(n, 1.0 + n, below=n == 151) for n in range(150, 160)]),
    "trend of nothing": drawn(laboratory=[], norms=[], events=[]),
    "triangle": triangle(TRIANGLE, ("CH₄", "C₂H₄", "C₂H₂"), [PathPoint((50.0, 30.0, 20.0), "one")]),
    "pentagon": pentagon(PENTAGON, {"H₂": (0.0, 40.0)}, [PathPoint((1.0, 2.0), "one")]),
    "beside": beside([day(1, 51.0), day(3, 5.0, below=True)]),
    "differences": compared(relative=True),
    "differences in the unit": compared(relative=False),
}


def sent(figure: Chart) -> dict[str, Any]:
    """The figure as a browser gets it."""
    answer: dict[str, Any] = json.loads(json.dumps(figure, default=plain, allow_nan=False))
    return answer


@pytest.mark.parametrize("figure", EVERY.values(), ids=EVERY.keys())
def test_plotly_finds_nothing_wrong_with_a_figure(figure: Chart) -> None:
    again = go.Figure(figure.to_dict())
    assert len(again.data) == len(figure.data)
    assert again.layout.height in {190, 360}


@pytest.mark.parametrize("figure", EVERY.values(), ids=EVERY.keys())
def test_what_a_browser_gets_is_the_figure_and_never_offers_an_upload(figure: Chart) -> None:
    answer = sent(figure)
    assert list(answer) == ["data", "layout", "config"]
    assert answer["config"] == CONFIG
    assert (CONFIG["showSendToCloud"], CONFIG["plotlyServerURL"], CONFIG["displaylogo"]) == (False, "", False)
    again = go.Figure({"data": answer["data"], "layout": answer["layout"]})
    assert [len(trace.hovertemplate or "") for trace in again.data] == [
        len(trace.hovertemplate or "") for trace in figure.data
    ]


@pytest.mark.parametrize("figure", EVERY.values(), ids=EVERY.keys())
def test_a_figure_carries_its_look_and_leaves_a_notebooks_own_aside(figure: Chart) -> None:
    look = figure.to_dict()["layout"]["template"]["layout"]
    assert look["font"]["family"] == FONT
    assert look["xaxis"]["gridcolor"] == HAIRLINE
    assert "colorway" not in look  # which plotly's default template has


def test_plotly_refuses_a_wrong_figure_also_after_a_right_one() -> None:
    line = {"type": "scatter", "x": [1], "y": [2.0], "mode": "lines", "line": {"color": "#000000"}}
    assert chart([line], {}).data[0].mode == "lines"
    assert chart([{**line, "y": [3.0]}], {}).data[0].y == (3.0,)
    for wrong in ({"mode": "dots"}, {"colour": "red"}, {"line": {"color": "no colour"}}):
        for _ in range(2):
            with pytest.raises(ValueError, match="Invalid"):
                chart([{**line, **wrong}], {})
    with pytest.raises(ValueError, match="Invalid"):
        chart([line], {"heigth": 190})


def test_a_checked_figure_and_one_of_a_known_style_are_sent_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    online = [day(n, 1.0 + n, below=n == 151) for n in range(150, 160)]
    monkeypatch.setattr("app.plots.figure._validated", set())
    assert sent(drawn(online=online)) == sent(drawn(online=online))
    monkeypatch.setattr("app.plots.figure._validated", set())
    assert sent(beside([day(1, 51.0)])) == sent(beside([day(1, 51.0)]))


def test_only_figures_and_arrays_are_sent_beside_what_json_knows() -> None:
    text = json.dumps([np.array([1.5]), np.array(["2026-07-01T12:00"], "datetime64[s]")], default=plain)
    assert json.loads(text) == [[1.5], ["2026-07-01T12:00:00"]]
    with pytest.raises(TypeError, match="datetime cannot be sent"):
        json.dumps(NOON, default=plain)


def test_each_gas_has_its_own_colour_and_marker() -> None:
    assert set(GASES) <= set(MARKS)
    assert len({MARKS[gas].color for gas in GASES}) == len(GASES)
    assert len({MARKS[gas].symbol for gas in GASES}) == len(GASES)
    assert all(SVG_PATHS[style.symbol] in marker_svg(name) for name, style in MARKS.items())


def test_a_reading_below_its_limit_is_an_open_marker_at_the_limit_and_said_to_be_below() -> None:
    (line,) = sent(drawn())["data"]
    assert line["marker"]["symbol"] == ["star-open", "star", "star"]
    assert line["y"][0] == 0.5
    assert line["text"] == ["< ", "", ""]
    assert line["hovertemplate"].startswith("C₂H₂ %{text}%{y:,.4~r} µL/L<br>")


def test_where_nothing_is_below_a_limit_no_text_is_sent() -> None:
    (line,) = sent(drawn(laboratory=[day(0, 3.0), day(9, 4.0)]))["data"]
    assert "text" not in line
    assert "text" not in line["hovertemplate"]


def test_times_are_drawn_in_the_sites_zone() -> None:
    (line,) = sent(drawn())["data"]
    assert line["x"][0] == "2026-07-01T15:00:00"  # 12:00 UTC is 15:00 in Helsinki in summer


def test_laboratory_and_online_differ_in_form_not_in_colour() -> None:
    online = [day(n, 1.0 + n / 10, below=n == 150) for n in range(150, 200)]
    line, below, laboratory = drawn(online=online).data
    assert (line.name, below.name, laboratory.name) == ("on-line", "on-line, below limit", "laboratory")
    assert line.mode == "lines"
    assert line.line.color == laboratory.line.color
    assert list(below.y) == [16.0]


def test_norms_and_events_are_lines_and_both_scales_have_their_labels() -> None:
    layout = drawn().layout
    assert [shape.y0 for shape in layout.shapes[:2]] == [2.0, 7.0]
    assert layout.shapes[2].x0 == "2026-08-20T15:00:00"
    assert layout.meta["linear"]["labels"] == [2.0, 7.0]
    assert layout.meta["log"]["labels"] == pytest.approx([math.log10(2), math.log10(7)])


def test_norm_lines_reach_beyond_the_window_and_never_hide_a_reading() -> None:
    """Who moves out of the window still sees them; "between" is under the readings."""
    for window in ((NOON, NOON + timedelta(days=200)), (NOON, NOON)):
        norm = drawn(window=window).layout.shapes[0]
        assert norm.layer == "between"
        assert norm.x0 < (window[0] - timedelta(hours=12)).isoformat()
        assert norm.x1 > (window[1] + timedelta(hours=12)).isoformat()
    assert all(label.bgcolor is None for label in drawn().layout.annotations)


def test_a_year_of_online_limits_is_seen_one_by_one() -> None:
    online = [day(n, 0.5, below=True) for n in range(366)]
    markers = drawn(online=online).data[1].marker
    assert (markers.symbol, markers.maxdisplayed) == ("star-open", 30)


def test_the_first_norm_is_in_sight_of_low_values_and_the_second_only_near_it() -> None:
    low = drawn(laboratory=[day(0, 0.2), day(9, 0.3)]).layout.yaxis.range
    assert 2.0 < low[1] < 7.0
    near = drawn(laboratory=[day(0, 1.5), day(9, 1.9)]).layout.yaxis.range
    assert near[1] > 7.0


def test_a_long_series_is_thinned() -> None:
    online = [day(0, 5.0 + (n % 7)) for n in range(20_000)]
    assert len(drawn(online=online).data[0].x) <= 1_000


def test_a_point_lies_inside_the_zone_drawn_for_it() -> None:
    """IEEE C57.104-2019, D.4 prints CH4 25, C2H4 15, C2H2 10 -> 50/30/20 % -> D2."""
    figure = EVERY["triangle"]
    path = figure.data[-1]
    assert (list(path.a), list(path.c), list(path.b)) == ([50.0], [30.0], [20.0])
    assert list(path.marker.size) == [14]
    assert [trace.name for trace in figure.data if trace.fill] == list(TRIANGLE_1_VERTICES)


def test_the_corners_of_a_triangle_are_top_right_and_left() -> None:
    ternary = EVERY["triangle"].layout.ternary
    corners = (ternary.aaxis, ternary.caxis, ternary.baxis)
    assert [corner.title.text for corner in corners] == ["% CH₄", "% C₂H₄", "% C₂H₂"]


def test_a_pentagon_without_samples_still_shows_its_zones() -> None:
    figure = pentagon(PENTAGON, {"H₂": (0.0, 40.0)}, [])
    assert [trace.name for trace in figure.data if trace.fill] == list(PENTAGON_1_VERTICES)


def test_a_day_of_an_instrument_shows_its_median_and_its_range() -> None:
    least, greatest, median, laboratory = sent(beside([day(1, 51.0)]))["data"]
    assert (least["y"][1], median["y"][1], greatest["y"][1]) == (46.0, 51.0, 61.0)
    assert median["customdata"][1] == [46.0, 61.0]
    assert median["text"] == ["< ", "", "", "", ""]
    assert "that day %{customdata[0]" in median["hovertemplate"]
    assert laboratory["marker"]["symbol"] == ["circle"]


def test_differences_lie_between_bias_limits_and_band() -> None:
    layout = compared(relative=True).layout
    assert [(shape.type, shape.y0) for shape in layout.shapes] == [
        ("rect", -20.0),
        ("line", 2.0),
        ("line", -3.0),
    ]
    assert layout.yaxis.ticksuffix == " %"
    assert not compared(relative=False).layout.yaxis.ticksuffix


def test_a_sparkline_needs_two_points_and_keeps_inside_its_box() -> None:
    assert sparkline([(0.0, 1.0)], "h2") == ""
    svg = sparkline([(0.0, 1.0), (5.0, 9.0), (9.0, 4.0)], "h2", limit=8.0)
    places = svg.split('points="')[1].split('"')[0].split()
    assert len(places) == 3
    assert all(0 <= float(p.split(",")[0]) <= 96 and 0 <= float(p.split(",")[1]) <= 22 for p in places)
    assert 'class="limit"' in svg
