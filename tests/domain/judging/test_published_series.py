"""Series measured on real units and published: what is steady is not said to rise, what is odd is doubted.

Numbers and sources stand in golden/published_series.csv; the gases that are not told (oxides, oxygen, nitrogen) are
missing here too, so the norms are those of unknown age and O2/N2.
"""

from datetime import datetime
from functools import cache

import numpy as np
import pytest
from engine_cast import Samples, golden, judge

from app.domain.findings import Assessment
from app.domain.judging.engine import Judgement
from app.domain.judging.frame import to_days
from app.domain.judging.report import ReportOptions, report
from app.science.quantities import FAULT_GASES

OUTLIER = "2005-04-21"


def points(series: str, *without: str) -> list[tuple[str, dict[str, float]]]:
    return [
        (row["date"], {gas: float(row[gas]) for gas in FAULT_GASES})
        for row in golden("published_series")
        if row["series"] == series and row["date"] not in without
    ]


@cache
def judged(series: str, *without: str) -> tuple[Judgement, tuple[Assessment, ...], tuple[str, ...]]:
    found = points(series, *without)
    first = to_days(datetime.fromisoformat(found[0][0] + "T00:00+00:00"))
    samples: Samples = [
        (to_days(datetime.fromisoformat(day + "T00:00+00:00")) - first, gases) for day, gases in found
    ]
    judgement = judge(samples, age=None)
    told = tuple(report(judgement, row, ReportOptions(draws=20)) for row in range(len(samples)))
    return judgement, told, tuple(day for day, _ in found)


@pytest.mark.parametrize(("series", "count"), [("1", 11), ("3", 8), ("5", 16)])
def test_a_steady_series_is_never_said_to_rise(series: str, count: int) -> None:
    _, told, days = judged(series)
    assert len(days) == count
    rising = {
        day: [gas for gas, t in a.trends.items() if t.rising] for day, a in zip(days, told, strict=True)
    }
    assert not any(rising.values()), rising
    assert told[-1].trends, "the robust trend was worked out, and not just left out"


def test_a_plain_line_through_series_1_would_have_told_a_rise() -> None:
    """The trap: +730 µL/L of hydrogen a year, from eleven days."""
    found = points("1")
    days = [float(day[-2:]) for day, _ in found]
    slope = np.polyfit(days, [gases["h2"] for _, gases in found], 1)[0] * 365
    assert slope == pytest.approx(730, abs=60)


def test_the_outlier_of_series_4_is_doubted_asks_for_confirmation_and_is_dropped() -> None:
    judgement, told, days = judged("4")
    row = days.index(OUTLIER)
    assert told[row].doubtful
    assert judgement.changes.suspect[row]
    assert not told[row].suspect, "what a later sample refuted asks for nothing any more"
    assert any("fell by more than measurement can explain" in f.text for f in told[row].findings)
    assert np.flatnonzero(judgement.changes.dropped).tolist() == [row]
    assert judgement.changes.refuted[row + 1], "the next sample does not confirm the fall"
    assert not any(a.doubtful for i, a in enumerate(told) if i != row)


@pytest.mark.parametrize("without", [(), (OUTLIER,)])
def test_the_slow_thermal_rise_of_series_4_is_found(without: tuple[str, ...]) -> None:
    """Six weeks of weekly samples; a seventh as high as the sixth would call it."""
    judgement, told, _ = judged("4", *without)
    end = told[-1]
    calls = judgement.trend_calls
    assert calls.joint_p[-1] == pytest.approx(1 / 720, abs=1e-4), "six believed samples, every one higher"
    ethane = end.trends["c2h6"]
    assert ethane.p == pytest.approx(1 / 720, abs=1e-5)
    assert ethane.points <= 6, "the dropped row takes no part"
    assert ethane.low is not None
    assert 0 < ethane.low < ethane.per_year
    assert not ethane.rising, "one look says so, and it takes two samples in a row"
    assert end.fault is not None
    # 6 % of acetylene puts triangle 1 into DT, with the pentagon in T1: heat, and a discharge with it (D.4)
    assert end.fault.code == "DT"
    assert (end.methods["duval_triangle_1"].code, end.methods["duval_pentagon_1"].code) == ("DT", "T1")


def test_the_steady_acetylene_of_series_3_is_named_but_is_no_change() -> None:
    judgement, told, _ = judged("3")
    assert {a.fault.code for a in told if a.fault} == {"D1"}
    assert {a.status for a in told} == {3}, "80-90 µL/L of acetylene is far above Table 2"
    assert not judgement.changes.delta_exceeds.any()
