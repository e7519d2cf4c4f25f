"""A chart of a data frame is the chart of the pages."""

import pandas as pd
import plotly.graph_objects as go
import pytest

from app.analysis import chart

FRAME = pd.DataFrame(
    {
        "asset": ["T1"] * 4,
        "compartment": ["main"] * 4,
        "source_kind": ["laboratory", "laboratory", "instrument", "laboratory"],
        "taken_at": pd.to_datetime(["2026-03-01", "2026-01-01", "2026-02-01", "2026-02-02"], utc=True),
        "c2h2": [3.0, 0.5, 1.0, None],
        "c2h2_below": [False, True, False, False],
    }
)


def test_laboratory_and_instrument_are_drawn_in_the_order_of_time() -> None:
    figure = chart(FRAME, "c2h2", time_zone="Europe/Helsinki")
    assert isinstance(figure, go.Figure)
    online, laboratory = figure.data
    assert (online.name, list(online.y)) == ("on-line", [1.0])
    assert (laboratory.name, list(laboratory.y)) == ("laboratory", [0.5, 3.0])
    assert list(laboratory.marker.symbol) == ["star-open", "star"]
    assert str(laboratory.x[0]) == "2026-01-01T02:00:00"


def test_a_frame_without_kinds_of_source_is_the_laboratorys() -> None:
    assert [trace.name for trace in chart(FRAME.drop(columns="source_kind"), "c2h2").data] == ["laboratory"]


def test_what_cannot_be_one_chart_is_told() -> None:
    with pytest.raises(ValueError, match="of one compartment; the frame has it of 0"):
        chart(FRAME.head(0), "c2h2")
    with pytest.raises(ValueError, match="of one compartment; the frame has it of 2"):
        chart(FRAME.assign(compartment=["main", "tap", "main", "main"]), "c2h2")
