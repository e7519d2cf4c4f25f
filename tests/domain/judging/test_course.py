"""The course of a unit: its state and gravity at every sample, what raises it and the few things that ease it."""

import csv
from collections.abc import Mapping, Sequence
from dataclasses import replace
from io import StringIO

import numpy as np
import pytest
from engine_cast import QUIET, frame
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from app.domain.findings import Assessment
from app.domain.judging.course.record import Ground
from app.domain.judging.course.sentences import GROUND_WORDS
from app.domain.judging.course.states import (
    GRAVITY_WORDS,
    STATE_MEANING,
    STATE_WORDS,
    STEP_WORDS,
    State,
    Step,
    graver,
)
from app.domain.judging.engine import Judgement, assess
from app.domain.judging.report import ReportOptions, report
from app.science.tables import rows

MINERAL = {"h2": 20.0, "ch4": 20.0, "c2h6": 20.0, "c2h4": 15.0, "c2h2": 0.0, "co": 200.0, "co2": 2000.0}
YEAR = 365.0


def course(
    samples: Sequence[tuple[float, Mapping[str, float | str]]], reviewed: Sequence[float] = ()
) -> Judgement:
    """``reviewed``: days of samples before which a review was recorded."""
    # no two reports are alike in everything: a copy of the one before is in doubt
    made = frame([(day, {**QUIET, **MINERAL, "co": 200.0 + day % 11, **values}) for day, values in samples])
    days = np.array([day for day, _ in samples])
    return assess(replace(made, reviewed=np.isin(days, reviewed)))


def states(judged: Judgement) -> list[str]:
    return [str(judged.courses.state_of(row)) for row in range(len(judged.frame))]


def gravities(judged: Judgement) -> list[int]:
    return [int(g) for g in judged.courses.gravity]


def steps(judged: Judgement, row: int) -> set[str]:
    return {step.value for step in judged.courses.steps_of(row)}


HALF = [i * 182.0 for i in range(12)]
LATER = {"ch4": 260.0, "c2h4": 240.0, "h2": 160.0}
"""Above Table 1 of ethylene and of methane, by a change that no measurement explains."""


class TestHarmless:
    def test_flat(self) -> None:
        judged = course([(day, {}) for day in HALF])
        assert states(judged) == ["quiet"] * 12
        assert gravities(judged) == [0] * 12

    def test_a_stable_old_high_unit_is_known_after_a_year(self) -> None:
        judged = course([(day, {"ch4": 400.0, "c2h6": 500.0}) for day in HALF])
        assert states(judged)[:2] == ["high", "high"]
        assert set(states(judged)[2:]) == {"stable_high"}
        assert gravities(judged) == [3, 3] + [2] * 10
        assert steps(judged, 2) == {"eased"}
        assert judged.courses.since[11] == judged.frame.at[0]

    def test_a_level_that_flickers_at_its_limit_is_one_course(self) -> None:
        limit = float(course([(0.0, {})]).levels.typical[0, 1])
        judged = course([(day, {"ch4": limit * (1.03 if i % 2 else 0.98)}) for i, day in enumerate(HALF)])
        assert gravities(judged)[4:] == [1] * 8
        assert set(states(judged)[4:]) == {"stable_high"}

    def test_a_spike_that_the_next_sample_does_not_show_is_taken_back(self) -> None:
        judged = course([(day, {"h2": 400.0} if i == 6 else {}) for i, day in enumerate(HALF)])
        assert gravities(judged) == [0] * 6 + [3] + [0] * 5
        assert steps(judged, 7) == {"eased"}


class TestDangerous:
    def test_confirmed_gassing_stays_as_grave_while_the_gas_is_there(self) -> None:
        judged = course([(day, LATER if i >= 6 else {}) for i, day in enumerate(HALF)])
        assert gravities(judged)[6] >= 2  # suspect, and counts by its level
        assert states(judged)[7] == "confirmed"
        assert "confirmed" in steps(judged, 7)
        assert gravities(judged)[8] == gravities(judged)[7] >= 2

    def test_it_ends_after_a_quiet_year_and_not_before(self) -> None:
        judged = course([(day, LATER if i >= 6 else {}) for i, day in enumerate(HALF)])
        ended = states(judged).index("ended")
        confirmed = states(judged).index("confirmed")
        assert judged.frame.at[ended] - judged.frame.at[confirmed] >= 350.0
        assert {"ended", "eased"} <= steps(judged, ended)
        assert judged.courses.since[ended] == judged.frame.at[confirmed]

    @pytest.mark.parametrize("day", [1.0, 30.0, 200.0])
    def test_an_extreme_result_stands_while_the_gas_is_there(self, day: float) -> None:
        gas = {"c2h6": 2500.0}
        judged = course([(0.0, gas), (day, gas), (2 * day, gas)])
        assert gravities(judged)[:2] == [4, 4]
        assert "extreme" in steps(judged, 0)

    def test_a_rate_that_doubles_is_a_step(self) -> None:
        curve = [0, 0, 0, 60, 120, 180, 240, 420, 600, 800, 1000, 1200]
        judged = course(
            [(i * 60.0, {"ch4": 20.0 + rise, "c2h4": 15.0 + rise}) for i, rise in enumerate(curve)]
        )
        assert "accelerating" in states(judged)
        faster = states(judged).index("accelerating")
        assert {"accelerating", "rate_doubled"} <= steps(judged, faster)
        assert gravities(judged)[faster:] == sorted(gravities(judged)[faster:])

    def test_a_suspect_change_asks_to_look_again(self) -> None:
        judged = course([(0.0, {}), (182.0, {}), (364.0, {"ch4": 60.0})])
        assert judged.changes.suspect[2]
        assert gravities(judged)[2] >= 1


class TestActs:
    def test_a_review_settles_the_level(self) -> None:
        samples = [(i * 60.0, {"ch4": 400.0, "c2h6": 500.0}) for i in range(5)]
        judged = course(samples, reviewed=[180.0])
        assert gravities(judged) == [3, 3, 3, 2, 2]
        assert states(judged)[3] == "stable_high"

    def test_a_review_settles_an_extreme_level_until_it_rises(self) -> None:
        samples = [(i * 60.0, {"c2h6": 2500.0 if i < 4 else 3600.0}) for i in range(6)]
        judged = course(samples, reviewed=[120.0])
        assert gravities(judged) == [4, 4, 2, 2, 4, 4]

    def test_a_quiet_year_without_a_review_leaves_an_extreme_level_at_three(self) -> None:
        judged = course([(day, {"c2h6": 2500.0}) for day in HALF[:6]])
        assert gravities(judged) == [4, 4, 3, 3, 3, 3]

    def test_a_new_baseline_begins_a_new_course(self) -> None:
        high = {**QUIET, **MINERAL, "ch4": 400.0}
        low = {**QUIET, **MINERAL}
        made = frame([(day, {**(high if i < 3 else low), "co": 200.0 + i}) for i, day in enumerate(HALF[:6])])
        judged = assess(replace(made, series=np.array([0, 0, 0, 1, 1, 1])))
        assert gravities(judged)[3:] == [0, 0, 0]

    def test_on_line_rows_have_none(self) -> None:
        judged = assess(frame([(0.0, QUIET)], online=True))
        assert judged.courses.state_of(0) is None
        assert report(judged, 0, ReportOptions(detailed=False)).course is None


@st.composite
def curves(draw: st.DrawFn) -> list[tuple[float, dict[str, float]]]:
    """A few samples of a curve that only rises."""
    count = draw(st.integers(2, 9))
    gaps = draw(st.lists(st.sampled_from([7.0, 30.0, 91.0, 182.0, 365.0]), min_size=count, max_size=count))
    rises = draw(st.lists(st.sampled_from([1.0, 1.0, 1.05, 1.3, 2.0, 4.0]), min_size=count, max_size=count))
    days, parts = np.cumsum(gaps), np.cumprod(rises)
    return [
        (float(day), {gas: MINERAL[gas] * float(part) for gas in ("h2", "ch4", "c2h4", "c2h6")})
        for day, part in zip(days, parts, strict=True)
    ]


def steep(judged: Judgement) -> NDArray[np.bool_]:
    """What the last sample's rates say by themselves: borne out above Table 4, and extreme."""
    return np.concatenate([judged.changes.borne_out[-1], judged.extreme_kinds.found["rate"][-1]])


class TestAlways:
    @settings(max_examples=80, deadline=None)
    @given(curves())
    def test_gravity_falls_only_after_a_quiet_year(
        self, samples: list[tuple[float, dict[str, float]]]
    ) -> None:
        judged = course(samples)
        got = gravities(judged)
        for row in range(1, len(got)):
            if got[row] < got[row - 1]:
                assert "eased" in steps(judged, row)
                assert samples[row][0] - samples[0][0] >= 350.0

    @settings(max_examples=80, deadline=None)
    @given(curves(), st.integers(0, 8))
    def test_one_more_sample_of_the_same_value_before_lowers_nothing_within_the_year(
        self, samples: list[tuple[float, dict[str, float]]], which: int
    ) -> None:
        """But a rate is a slope through the points: one more of them may take it below its limit."""
        day, values = samples[which % len(samples)]
        more = sorted([*samples, (day - 3.0, values)], key=lambda sample: sample[0])
        before, after = course(samples), course(more)
        quiet = any(steps(after, row) & {"eased", "ended"} for row in range(len(more)))
        flatter = bool((steep(before) & ~steep(after)).any())
        assert quiet or flatter or gravities(after)[-1] >= gravities(before)[-1]


class TestWords:
    def test_every_state_step_gravity_and_ground_has_its_words(self) -> None:
        assert set(STATE_WORDS) == set(STATE_MEANING) == set(State)
        assert set(STEP_WORDS) == set(Step)
        assert set(GROUND_WORDS) == set(Ground)
        assert sorted(GRAVITY_WORDS) == [0, 1, 2, 3, 4]

    def test_an_assessment_carries_it_there_and_back(self) -> None:
        judged = course([(day, LATER if i >= 6 else {}) for i, day in enumerate(HALF)])
        told = report(judged, 7)
        assert told.course is not None
        assert told.course.state == "confirmed"
        assert told.course.why[0].startswith("Active gassing began by 2017-12-28; it")
        assert Assessment.from_json(told.to_json()).course == told.course

    def test_the_graver_course_of_a_unit(self) -> None:
        judged = course([(0.0, {}), (1.0, {"c2h6": 2500.0})])
        mild, grave = (report(judged, row, ReportOptions(detailed=False)).course for row in (0, 1))
        assert graver([mild, None, grave]) is grave
        assert graver([None]) is None


SECOND = """sign,parameter,value
quiet,days,350
quiet,samples,3
quiet,gain,0.15
quiet,part_of_pace,0.5
change,noise,0.21
change,plain,0.32
rate,doubled,2
rate,points,3
rate,days,30
time,part,0.25
time,soon,91
near,part,0.8
falling,part,0.8
fallen_back,level,0.8
fallen_back,change,0.9
returning,days,365
returning,part,0.5
believed,noise,0.09
believed,samples,6
believed,errors,4.25
believed,errors_alone,3
believed,again,3
believed,newest,3
believed,chance,0.01
believed,accuracy,0.15
believed,alike,0.31
"""
"""Our own figures, written down a second time from docs/decisions/course.md."""


def test_the_figures() -> None:
    found = {(r["sign"], r["parameter"]): float(r["value"]) for r in rows("course")}
    assert found == {(r["sign"], r["parameter"]): float(r["value"]) for r in csv.DictReader(StringIO(SECOND))}
    assert all("ours" in r["note"] for r in rows("course"))
