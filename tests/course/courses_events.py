"""Courses in which something happens: degassing, extremes, trips, doubts, corrections."""

from datetime import timedelta
from typing import Final

import numpy as np
from course_levels import (
    HALF_YEAR,
    MONTH,
    NEW,
    QUIET,
    YEAR,
    adding,
    day,
    days,
    measured,
    raised,
    samples,
    steady,
)
from course_model import (
    OF_GAS,
    RISING,
    START,
    Corrected,
    Course,
    Recorded,
    Sampled,
    Unit,
    Withdrawn,
    alarm_by,
    alarm_never_eases,
    due_after,
    due_within,
    finding_never,
    gravity_at_least,
    gravity_at_most,
    gravity_by,
    never_says,
    no_alarm,
    says,
    state_by,
    state_never,
    status_is,
    urgency_is_not,
)

CONFIRMATION: Final = frozenset({"confirmation"})
BEFORE: Final = samples(days(5, HALF_YEAR), steady(), 400)
"""Two quiet years."""
THEN: Final = 2.4 * YEAR
"""When it happens."""


def _then(*at_and_levels: tuple[float, dict[str, float | str]], seed: int = 0) -> list[Sampled]:
    rng = np.random.default_rng(500 + seed)
    return [Sampled(day(THEN + d), measured(levels, rng, 0.02, 0.02)) for d, levels in at_and_levels]


def _degassed() -> list[Course]:
    at = days(13, MONTH)
    fault = adding(0.0, c2h4=25.0, ch4=15.0, c2h6=6.0)
    first = samples(at, fault, 410, 0.03, 0.02)
    work = at[-1] + 20
    # a confirmation sample after two weeks, then monthly
    again = [work + 10, work + 24, *(work + 10 + d for d in days(13, MONTH)[1:])]

    def regassing(d: float) -> dict[str, float | str]:
        months = (d - work) / MONTH
        return raised({"c2h4": 25.0 * months, "ch4": 15.0 * months, "c2h6": 6.0 * months}, NEW)

    def settled(d: float) -> dict[str, float | str]:
        """A tenth of the gas comes back from the paper within two months."""
        return raised({"c2h4": 8.0, "ch4": 6.0, "c2h6": 4.0}, NEW) if d - work > 60 else dict(NEW)

    back = samples(again, regassing, 411, 0.03, 0.02)
    quiet = samples(again, settled, 412, 0.03, 0.02)
    n = len(first)
    return [
        Course(
            "degassed_regassing",
            "A hot spot, degassed, gassing again at the same pace; the work is recorded",
            [*first, Recorded(day(work), "degassing"), *back],
            (
                alarm_by(8, 3),
                alarm_never_eases(last=n - 1),
                due_within(60, n + 1, n + 1),
                alarm_by(n + 7, 2, first=n + 1),
                alarm_by(n + 9, 3, first=n + 1),
                state_by(n + 7, RISING, first=n + 2),
            ),
            twin="degassed_quiet",
        ),
        Course(
            "degassed_quiet",
            "A hot spot, repaired and degassed; a tenth of the gas comes back from the paper",
            [*first, Recorded(day(work), "repair"), *quiet],
            (
                due_within(60, n + 1, n + 1),
                gravity_at_most(1, n + 2),
                no_alarm(2, OF_GAS, first=n + 2),
                state_never(RISING, n + 2),
            ),
        ),
        Course(
            "fallen_regassing",
            "The same with nothing on record: all gases down, then gassing again",
            [*first, *back],
            (
                alarm_by(8, 3),
                state_by(n + 1, frozenset({"fallen"}), "walk", first=n),
                says("treated", n + 2, "walk", first=n),
                finding_never("dropped", part="walk"),
                alarm_by(n + 7, 2, first=n + 2),
                alarm_by(n + 9, 3, first=n + 2),
                state_by(n + 9, RISING, first=n + 3),
            ),
            twin="fallen_quiet",
        ),
        Course(
            "fallen_quiet",
            "The same with nothing on record: all gases down, and they stay down",
            [*first, *quiet],
            (
                state_by(n + 1, frozenset({"fallen"}), "walk", first=n),
                says("treated", n + 2, "walk", first=n),
                finding_never("dropped", part="walk"),
                state_never(RISING, n + 2),
            ),
        ),
        Course(
            "air_in_one_sample",
            "A hot spot; one sample with air in it is low, the next is high again",
            [
                *first,
                Sampled(
                    day(at[-1] + 30),
                    {
                        **{k: v * 0.2 for k, v in first[-1].readings.items() if not isinstance(v, str)},
                        "o2": 22_000.0,
                        "n2": 58_000.0,
                    },
                ),
                *samples([at[-1] + 40, at[-1] + 70], fault, 413, 0.03, 0.02),
            ],
            (alarm_by(8, 3), alarm_never_eases(part="walk"), gravity_at_least(3, 9, part="course")),
            twin="degassed_quiet",
        ),
    ]


def _first_samples() -> list[Course]:
    found = []
    for gas, level in (("h2", 5000.0), ("c2h2", 5000.0), ("c2h4", 2500.0)):
        found.append(
            Course(
                f"first_{gas}_{level:.0f}",
                f"The first sample of a unit has {level:.0f} µL/L of {gas.upper()}",
                [Sampled(START, {**QUIET, gas: level})],
                (
                    gravity_at_least(4, 0, part="walk"),
                    alarm_by(0, 4, part="walk"),
                    due_within(2, 0),
                    urgency_is_not("high"),
                ),
                twin="first_quiet",
            )
        )
    return [
        *found,
        Course(
            "first_quiet",
            "The first sample of a unit, nothing in it",
            [Sampled(START, QUIET)],
            (gravity_at_most(0), no_alarm(1), due_after(90, 0)),
        ),
        Course(
            "first_above_table_1",
            "The first sample of a unit, hydrogen at 1.2 times Table 1",
            [Sampled(START, {**QUIET, "h2": 90.0})],
            (gravity_at_most(2), no_alarm(3), status_is(frozenset({2}))),
        ),
        Course(
            "new_with_gas",
            "The first sample of a new unit, with some hydrogen and ethylene",
            [Sampled(START + timedelta(days=120), {**NEW, "h2": 25.0, "c2h4": 8.0})],
            (due_within(90, 0, part="walk"), gravity_at_most(1)),
            Unit(year_energized=2012),
        ),
    ]


def _trip() -> list[Course]:
    tripped = Recorded(day(THEN - 0.5), "through_fault")
    return [
        Course(
            "acetylene_after_trip",
            "Acetylene from nothing, the day after a trip",
            [*BEFORE, tripped, *_then((0.5, raised({"c2h2": 6.0, "h2": 25.0})), seed=1)],
            (gravity_at_least(3, 6, part="walk"), alarm_by(6, 3, part="walk"), due_within(7, 6)),
            twin="nothing_after_trip",
        ),
        Course(
            "arc_after_trip",
            "A high-energy discharge, twelve hours after a differential trip",
            [
                *BEFORE,
                tripped,
                *_then((0.0, raised({"c2h2": 120.0, "h2": 260.0, "c2h4": 95.0, "ch4": 60.0})), seed=2),
            ],
            (
                gravity_at_least(4, 6, part="walk"),
                alarm_by(6, 4, part="walk"),
                due_within(2, 6),
                says("D2", 6, "sure", first=6),
                never_says("no clear rise", 6, part="sure"),
            ),
            twin="nothing_after_trip",
        ),
        Course(
            "nothing_after_trip",
            "A trip, and no gas after it",
            [*BEFORE, tripped, *_then((0.5, dict(QUIET)), (30.0, dict(QUIET)), seed=3)],
            (gravity_at_most(1), no_alarm(2, OF_GAS)),
        ),
    ]


def _extreme() -> list[Course]:
    hot = raised({"c2h4": 2500.0, "ch4": 1400.0, "c2h6": 350.0, "h2": 300.0})
    n = len(BEFORE)
    slow = adding(0.0, 12 * MONTH, c2h4=32.0, ch4=18.0, c2h6=7.0)
    at = [*days(13, MONTH), *(12 * MONTH + d for d in (60, 120, 180, 270, 360, 540, 720))]
    return [
        Course(
            "extreme_stays",
            "From quiet to extreme; the same gas three days, three months and two years later",
            [*BEFORE, *_then((0, hot), (3, hot), (90, hot), (730, hot), seed=4)],
            (
                gravity_at_least(4, n, n + 2),
                gravity_at_least(3, n + 3),
                alarm_by(n, 3),
                alarm_by(n + 1, 4),
                alarm_never_eases(last=n + 2),
                no_alarm(5),
                due_within(7, n, n + 1),
            ),
            twin="stable_high_reviewed",
        ),
        Course(
            "increment_stopped",
            "A year of gassing up to 400 µL/L of ethylene, then no more for two years, nobody looked",
            samples(at, slow, 420, 0.03, 0.02),
            (
                alarm_by(8, 3),
                alarm_never_eases(last=16),
                gravity_at_least(3, 12, 16),
                state_never(frozenset({"quiet"}), 12),
                state_never(frozenset({"accelerating"}), 17),
            ),
            twin="stable_high",
        ),
        Course(
            "accelerating",
            "Ethylene doubles every three months, sampled monthly",
            samples(
                days(19, MONTH),
                lambda d: raised({"c2h4": 2.0 * 2 ** (d / 91), "ch4": 1.5 * 2 ** (d / 91)}),
                421,
                0.03,
                0.02,
            ),
            (
                alarm_by(14, 3),
                alarm_never_eases(),
                state_by(17, frozenset({"accelerating"})),
                gravity_by(18, 3),
            ),
            twin="flat_monthly_1",
        ),
    ]


def _doubts() -> list[Course]:
    n = len(BEFORE)
    air = {"n2": 140_000.0}
    hot = raised({"c2h4": 900.0, "ch4": 700.0, "c2h6": 250.0, "h2": 150.0})
    blind: dict[str, float | str] = {**QUIET, "c2h2": "<5"}
    all_blind: dict[str, float | str] = {
        **QUIET,
        "h2": "<200",
        "ch4": "<200",
        "c2h6": "<200",
        "c2h4": "<100",
        "c2h2": "<5",
        "co": "<2000",
        "co2": "<20000",
    }
    return [
        Course(
            "nitrogen_doubt",
            "More nitrogen than oil can hold, and gases far above their norms",
            [*BEFORE, *_then((0, {**hot, **air}), (10, {**hot, **air}), seed=5)],
            (
                gravity_at_least(4, n, part="walk"),
                alarm_by(n, 3, OF_GAS | CONFIRMATION, "walk"),
                alarm_by(n + 1, 4, part="walk"),
                due_within(7, n, n),
            ),
            twin="nitrogen_blanket",
        ),
        Course(
            "nitrogen_blanket",
            "The same nitrogen under a nitrogen blanket, and no gas",
            samples(days(6, HALF_YEAR), steady(n2=140_000.0), 430),
            (gravity_at_most(0, part="walk"), no_alarm(1, part="walk"), never_says("in doubt", part="walk")),
            Unit(preservation="nitrogen_blanketed"),
        ),
        Course(
            "nitrogen_blanket_hot",
            "Gases far above their norms under a nitrogen blanket",
            [
                *samples(days(5, HALF_YEAR), steady(n2=140_000.0), 431),
                *_then((0, {**hot, **air}), (10, {**hot, **air}), seed=6),
            ],
            (
                gravity_at_least(4, n, part="walk"),
                alarm_by(n + 1, 4, part="walk"),
                never_says("itself is in doubt", n, part="walk"),
            ),
            Unit(preservation="nitrogen_blanketed"),
            twin="nitrogen_blanket",
        ),
        Course(
            "blind_for_acetylene",
            "A laboratory that sees no acetylene below 5 µL/L, the norm being 1",
            samples(days(5, HALF_YEAR), lambda _d: blind, 432),
            (
                urgency_is_not("routine"),
                says("cannot be judged", 0, "walk"),
                says("method", 0, "advice"),
                gravity_at_least(1, 0, part="walk"),
                gravity_at_most(1, part="walk"),
            ),
            twin="first_quiet",
        ),
        Course(
            "blind_for_all",
            "A laboratory that sees no gas below its norm",
            samples(days(3, HALF_YEAR), lambda _d: all_blind, 433),
            (
                urgency_is_not("routine"),
                says("cannot be judged", 0, "walk"),
                gravity_at_least(1, 0, part="walk"),
            ),
            twin="first_quiet",
        ),
        Course(
            "jump_refuted",
            "Ethylene jumps; the confirmation sample does not show it",
            [*BEFORE, *_then((0, raised({"c2h4": 80.0})), (14, dict(QUIET)), (180, dict(QUIET)), seed=7)],
            (
                alarm_by(n, 2, CONFIRMATION, "walk"),
                gravity_at_least(1, n, n),
                due_within(31, n, n),
                gravity_at_most(1, n + 1),
                no_alarm(2, OF_GAS, first=n + 1),
            ),
        ),
        Course(
            "jump_confirmed",
            "Ethylene jumps, and the confirmation sample shows it",
            [
                *BEFORE,
                *_then(
                    (0, raised({"c2h4": 80.0, "ch4": 50.0})),
                    (14, raised({"c2h4": 86.0, "ch4": 54.0})),
                    (45, raised({"c2h4": 95.0, "ch4": 60.0})),
                    seed=8,
                ),
            ],
            (
                alarm_by(n, 2, CONFIRMATION, "walk"),
                alarm_by(n + 1, 3),
                alarm_never_eases(),
                state_by(n + 1, RISING),
                gravity_at_least(3, n + 1),
            ),
            twin="jump_refuted",
        ),
    ]


def _record() -> list[Course]:
    n = len(BEFORE)
    high = raised({"c2h4": 420.0, "ch4": 260.0, "c2h6": 90.0})
    wrong = {**QUIET, "c2h4": 480.0, "ch4": 300.0}
    far = _then((0, high), (14, high), seed=9)
    late = Sampled(day(THEN - 60), measured(dict(QUIET), np.random.default_rng(440)), received=day(THEN + 25))
    return [
        Course(
            "withdrawn",
            "A high sample of another unit's oil is withdrawn a week later",
            [*BEFORE, *_then((0, wrong), seed=10), Withdrawn(day(THEN + 7), n)],
            (
                alarm_by(n, 2, OF_GAS | CONFIRMATION, "walk"),
                gravity_at_most(1, n + 1),
                no_alarm(2, first=n + 1),
            ),
        ),
        Course(
            "corrected_down",
            "A slip of the pen is corrected a week later",
            [*BEFORE, *_then((0, wrong), seed=11), Corrected(day(THEN + 7), n, QUIET)],
            (gravity_at_most(1, n + 1), no_alarm(2, first=n + 1)),
        ),
        Course(
            "corrected_up",
            "A sample reported as quiet is corrected to what it was",
            [*BEFORE, *_then((0, dict(QUIET)), seed=12), Corrected(day(THEN + 7), n, high)],
            (
                gravity_at_most(1, 0, n),
                gravity_at_least(3, n + 1),
                alarm_by(n + 1, 3, OF_GAS | CONFIRMATION, first=n + 1),
            ),
            twin="corrected_down",
        ),
        Course(
            "late_sample",
            "While an alarm stands, an older quiet sample comes in",
            [*BEFORE, *far, late, *_then((40, high), seed=13)],
            (alarm_by(n + 1, 3), alarm_never_eases(), gravity_at_least(3, n + 1)),
            twin="withdrawn",
        ),
        Course(
            "withdrawn_quiet",
            "While an alarm stands, the quiet sample before it is withdrawn",
            [*BEFORE, *far, Withdrawn(day(THEN + 30), n - 1)],
            (alarm_by(n + 1, 3), alarm_never_eases(), gravity_at_least(3, n + 1)),
            twin="withdrawn",
        ),
    ]


COURSES: Final = (*_degassed(), *_first_samples(), *_trip(), *_extreme(), *_doubts(), *_record())
