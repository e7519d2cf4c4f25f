"""The watch over days: what stands out and since when, when it is blind, and the course of an on-line series."""

from dataclasses import asdict
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from online_worlds import World
from scipy import stats

from app.domain.model import EventKind, ServiceEvent
from app.domain.watching.change import (
    CHANGED,
    FAST,
    Looked,
    OnlineWatch,
    changed_words,
    look,
    online_watch,
    watching_words,
)
from app.domain.watching.energy import gassing_events
from app.domain.watching.online_course import Limits, online_course
from app.domain.watching.record import DayRecord, day_record, number_of
from app.science.measuring.uncertainty import detection_limit
from app.science.sequential.slope import slope_test

FIRST = number_of(date(2024, 1, 1))
ABOVE_ALL = Limits(np.full(7, 1e6), np.full(7, 1e6))


def record(days: int, seed: int = 1, world: World | None = None, **drivers: float) -> DayRecord:
    """Six gases of 50 µL/L or so that follow the oil, quiet."""
    y, known = (world or World(gases=6)).made(np.random.default_rng(seed), 1, days)
    values = np.full((days, 7), np.nan)
    values[:, :6] = np.exp(y[0])
    none = np.full((days, 7), np.nan)
    return DayRecord(
        FIRST, values, none, known[0] if not drivers else np.full((days, 2), np.nan), np.zeros(days, bool)
    )


def at(day: int) -> str:
    return (date(2024, 1, 1) + timedelta(days=day)).isoformat()


# --- the record -------------------------------------------------------------------------------------------


def test_a_record_begins_the_day_after_the_newest_restart_and_ends_with_the_last_whole_day() -> None:
    days = [date(2024, 1, k) for k in range(1, 13) if k != 7]
    values, below = np.tile(np.arange(11.0)[:, None], 7), np.zeros((11, 7), bool)
    below[9, 4] = True
    events = [
        ServiceEvent("T1", "main", datetime(2024, 1, 3, 12, tzinfo=UTC), EventKind.DEGASSING),
        ServiceEvent("T1", "main", datetime(2024, 1, 8, 12, tzinfo=UTC), EventKind.REVIEW),
        ServiceEvent("T1", "main", datetime(2024, 1, 9, 12, tzinfo=UTC), EventKind.NOTE),
        ServiceEvent("T1", "main", datetime(2024, 2, 1, 12, tzinfo=UTC), EventKind.REPAIR),
    ]
    found = day_record(days, values, below, np.ones((11, 2)), events, date(2024, 1, 11))
    assert (found.begins, found.ends, len(found)) == (date(2024, 1, 4), date(2024, 1, 11), 8)
    assert np.isnan(found.values[3, 0])  # the 7th
    assert np.isnan(found.values[7, 4])
    assert found.limits[7, 4] == 9.0
    assert found.reviewed.tolist() == [False] * 5 + [True, False, False]
    assert found.gases == ("h2", "ch4", "c2h6", "c2h4", "c2h2", "co")
    empty = day_record(days[:3], values[:3], below[:3], np.ones((3, 2)), events[:1], date(2024, 1, 3))
    assert len(empty) == 0
    assert online_watch(look(empty)).blind
    assert online_course(look(empty), online_watch(look(empty)), ABOVE_ALL).state == "quiet"


# --- the watch --------------------------------------------------------------------------------------------


def test_it_says_how_long_it_is_blind() -> None:
    young = online_watch(look(record(100)))
    assert (young.blind, young.learned, young.needed, young.explained) == (True, 100, 180, True)
    assert young.blind_until == at(99 + 80)
    assert watching_words(young) == (
        "Watching since 2024-01-01, oil temperature or load taken out. The watch is still blind for small changes,"
        f" until about {at(179)}: 100 of 180 days are learned. Until then only coarse steps are seen: one and a half"
        " times the month before, on three days in a row."
    )
    without = online_watch(look(record(200, unknown=1.0)))
    assert (without.blind, without.needed, without.explained) == (True, 365, False)
    grown = online_watch(look(record(400)))
    assert not grown.blind
    assert grown.blind_until is None
    assert watching_words(grown).startswith(
        "Watching H₂, CH₄, C₂H₆, C₂H₄, C₂H₂, CO since 2024-01-01 against its own"
    )
    assert changed_words(grown) == ""
    assert OnlineWatch.from_json(asdict(grown)) == grown


def with_rise(days: int, begin: int, per_day: float, gases: int) -> Looked:
    one = record(days)
    one.values[begin:, :gases] *= np.exp(per_day * np.arange(days - begin))[:, None]
    return look(one)


def test_a_rise_of_one_percent_a_day_is_told_with_gases_size_and_beginning() -> None:
    looked = with_rise(430, 400, 0.01, 2)
    said = online_watch(looked)
    assert said.severity == CHANGED
    assert [c.gas for c in said.gases][:2] in (["h2", "ch4"], ["ch4", "h2"])
    assert all(10.0 <= c.percent <= 40.0 for c in said.gases[:2])
    assert said.began is not None
    assert at(375) <= said.began <= at(415)
    assert said.gases[0].words in changed_words(said)
    assert OnlineWatch.from_json(asdict(said)) == said
    assert online_watch(look(record(430))).severity == 0


def test_half_as_much_again_is_fast_and_stays_so_until_it_ends() -> None:
    assert online_watch(with_rise(460, 400, 0.01, 3)).severity == FAST
    one = record(500)
    one.values[400:440, :3] *= 1.8
    one.values[440:, :3] *= 1.35
    assert online_watch(look(one)).severity == FAST
    coarse = record(60)
    coarse.values[55:, 1] *= 3.0
    early = online_watch(look(coarse))
    assert (early.blind, early.severity, [c.gas for c in early.gases]) == (True, FAST, ["ch4"])
    assert early.gases[0].coarse
    assert early.began == at(55)
    assert early.gases[0].percent == pytest.approx(200.0, abs=30.0)


# --- the course -------------------------------------------------------------------------------------------


def test_a_quiet_unit_is_quiet_through_its_seasons_with_and_without_temperature() -> None:
    for seed in (1, 2, 3):
        for one in (record(1100, seed, World(gases=6, swing=14.5)), record(1100, seed, None, unknown=1.0)):
            looked = look(one)
            course = online_course(looked, online_watch(looked), ABOVE_ALL)
            assert course.gravity == 0, seed
            assert course.state == "quiet", seed


def test_a_slow_rise_is_found_by_its_months_and_its_pace_told() -> None:
    one = record(1095)
    one.values[:, :6] *= np.exp(np.log(1.3) * np.arange(1095) / 365.0)[:, None]
    looked = look(one)
    course = online_course(looked, online_watch(looked), Limits(np.full(7, 60.0), np.full(7, 1e6)))
    assert course.state == "rising"
    assert course.gravity == 2
    pace = course.pace["ch4"]
    level = float(np.median(one.values[-60:, 1]))
    assert pace.low is not None
    assert pace.high is not None
    assert pace.low <= pace.per_year <= pace.high
    assert 0.1 * level < pace.per_year < 0.5 * level
    assert course.joint_p is not None
    assert course.joint_p < 0.002


def test_a_rise_that_ended_keeps_its_gravity_until_a_review_or_a_year() -> None:
    def after(days: int, reviewed: int | None = None) -> tuple[str, int]:
        one = record(days, 4)
        one.values[400:440, :6] *= np.exp(0.01 * np.arange(40))[:, None]
        one.values[440:450, :6] *= 1.5
        if reviewed is not None:
            one.reviewed[reviewed] = True
        looked = look(one)
        course = online_course(looked, online_watch(looked), ABOVE_ALL)
        return course.state, course.gravity

    assert after(448) == ("rising", 2)
    assert after(520) == ("rising", 2)
    assert after(520, reviewed=480) == ("quiet", 0)
    assert after(900) == ("ended", 0)


def test_a_level_that_flickers_at_its_limit_is_one_course() -> None:
    one = record(700, 5, World(gases=6, own=0.03, shared=0.0, wild=0.0))
    level = np.median(one.values[:, 1])
    assert not look(one).alarm.any()
    limits = np.full(7, 1e6)
    limits[1] = level
    seen = set()
    for end in range(500, 700, 10):
        part = DayRecord(one.first, one.values[:end], one.limits[:end], one.drivers[:end], one.reviewed[:end])
        now = look(part)
        course = online_course(now, online_watch(now), Limits(limits, np.full(7, 1e6)))
        seen.add((course.state, course.gravity))
    assert seen <= {("high", 1), ("stable_high", 1), ("quiet", 1)}


# --- gas energy -------------------------------------------------------------------------------------------


def test_the_energy_of_a_stretch_of_rise() -> None:
    one = record(460, world=World(gases=6, own=0.02, shared=0.01, wild=0.0))
    one.values[400:, 3] *= np.exp(0.02 * np.arange(60))
    events = gassing_events(look(one))
    assert len(events) == 1
    gained = float(np.median(one.values[453:, 3]) - np.median(one.values[390:400, 3]))
    assert events[0].gain == pytest.approx(104.1 * gained / 22_400, rel=0.25)
    assert events[0].gain_without_ethane == pytest.approx(104.1 * gained / 22_400, rel=0.25)
    assert not events[0].of_concern or (events[0].gain or 0) > 0.3
    large = record(460, world=World(gases=6, own=0.02, shared=0.01, wild=0.0))
    large.values[400:, 3] *= np.exp(0.04 * np.arange(60))
    assert gassing_events(look(large))[0].of_concern
    assert gassing_events(look(record(300))) == ()


# --- the slope --------------------------------------------------------------------------------------------


def test_the_slope_test_is_least_squares_and_a_season_is_no_slope() -> None:
    rng = np.random.default_rng(3)
    y = rng.normal(0.0, 0.1, (30, 2)) + 0.004 * np.arange(30)[:, None]
    found = slope_test(y)
    for i in range(2):
        reference = stats.linregress(np.arange(30), y[:, i], alternative="greater")
        assert found.p[i] == pytest.approx(reference.pvalue, rel=1e-9)
    assert found.joint_p == pytest.approx(
        stats.linregress(np.arange(30), y.mean(axis=1), alternative="greater").pvalue, rel=1e-9
    )
    swing = 0.3 * np.sin(2 * np.pi * np.arange(30) / 12.0)[:, None] + rng.normal(0.0, 0.02, (30, 1))
    rising = swing + 0.004 * np.arange(30)[:, None]
    assert slope_test(rising).joint_p > 0.05  # the swing hides it
    assert slope_test(rising, seasons=12.0).joint_p < 0.001
    assert slope_test(swing, seasons=12.0).joint_p > 0.01
    assert slope_test(np.full((12, 2), np.nan)).p.tolist() == [1.0, 1.0]
    assert detection_limit("h2") > 0.0
