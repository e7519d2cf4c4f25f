"""Courses of years of laboratory samples: what is flat must stay quiet, what rises slowly must be told as rising."""

from typing import Final

import numpy as np
from course_levels import HALF_YEAR, MONTH, YEAR, day, days, exactly, growing, measured, samples, steady
from course_model import (
    OF_GAS,
    RISING,
    Course,
    Expect,
    Recorded,
    Sampled,
    alarm_by,
    alarm_never_eases,
    due_after,
    due_within,
    gravity_at_least,
    gravity_at_most,
    no_alarm,
    says,
    state_at_end,
    state_by,
    state_never,
    status_is,
)

FIVE: Final = ("h2", "ch4", "c2h6", "c2h4", "c2h2")
THREE: Final = ("ch4", "c2h6", "c2h4")
ONE: Final = ("c2h4",)
FLAT_UNITS: Final = 6
QUIET_THROUGHOUT: Final = (
    gravity_at_most(1),
    no_alarm(2, OF_GAS),
    state_never(RISING, part="trend"),
)
HIGH: Final = {"h2": 500.0, "ch4": 380.0, "c2h6": 450.0, "c2h4": 240.0}
"""Two and a half times Table 2."""
STEADY_HIGH: Final = frozenset({"stable_high", "falling", "ended"})


def _flat() -> list[Course]:
    paces = (("half_yearly", HALF_YEAR, 21), ("yearly", YEAR, 11), ("monthly", MONTH, 61))
    found = []
    for pace, every, count in paces:
        for seed in range(FLAT_UNITS if pace == "half_yearly" else 2):
            found.append(
                Course(
                    f"flat_{pace}_{seed + 1}",
                    f"Flat and noisy, {pace.replace('_', '-')}",
                    samples(days(count, every), steady(), 100 + seed),
                    QUIET_THROUGHOUT,
                )
            )
    found.append(
        Course(
            "flat_with_acetylene",
            "Flat, half-yearly, with 0.6 µL/L of acetylene",
            samples(days(21, HALF_YEAR), steady(c2h2=0.6), 120),
            # its ethane happens to rise for seven years (p 0.0001): one of the 5 in 100 flat units that chance calls.
            # How many are called is what test_course_false_alarms asks of 200
            QUIET_THROUGHOUT[:2],
        )
    )
    found.append(
        Course(
            "flat_above_table_1",
            "Flat at 1.3 times Table 1, half-yearly, ten years",
            samples(days(21, HALF_YEAR), steady(h2=97.0, ch4=117.0, c2h6=117.0, c2h4=65.0), 130),
            (
                gravity_at_most(2),
                no_alarm(3, OF_GAS),
                # the guide's status is 3 where one noisy sample is above Table 3: that is the guide's word
                state_never(RISING, part="walk"),
            ),
        )
    )
    return found


# by the move at which nine of ten such units were called in the simulation that set the levels, and some room
CALLED_BY: Final = {
    ("five", 0.05): 17,
    ("five", 0.10): 11,
    ("five", 0.20): 9,
    ("three", 0.05): 20,
    ("three", 0.10): 15,
    ("three", 0.20): 11,
    ("one", 0.05): 20,
    ("one", 0.10): 17,
    ("one", 0.20): 13,
}


def _slow() -> list[Course]:
    found = []
    for number, ((name, pace), by) in enumerate(CALLED_BY.items()):
        gases = {"five": FIVE, "three": THREE, "one": ONE}[name]
        other: dict[str, float | str] = {"c2h2": 0.6} if name == "five" else {}
        found.append(
            Course(
                f"slow_{name}_{100 * pace:.0f}",
                f"Half-yearly, {name} {'gas' if name == 'one' else 'gases'} rising by {pace:.0%} a year, ten years",
                samples(days(21, HALF_YEAR), growing(pace, *gases, other=other), 200 + number),
                (
                    state_by(by, RISING, "trend"),
                    state_at_end(RISING, "trend"),
                    says("a year", part="trend", first=by),
                    gravity_at_least(1, by),
                ),
                twin="flat_with_acetylene" if name == "five" else "flat_half_yearly_1",
            )
        )
    yearly: tuple[tuple[str, tuple[str, ...], int], ...] = (("three", THREE, 7), ("one", ONE, 9))
    for name, gases, by in yearly:
        found.append(
            Course(
                f"yearly_{name}_20",
                f"Yearly, {name} rising by 20 % a year",
                samples(days(11, YEAR), growing(0.2, *gases), 230 + by),
                (state_by(by, RISING, "trend"), state_at_end(RISING, "trend"), gravity_at_least(1, 10)),
                twin="flat_yearly_1",
            )
        )
    late = growing(0.2, *THREE, begins=5 * YEAR)
    found.append(
        Course(
            "late_rise",
            "Five flat years, then three gases rising by 20 % a year",
            samples(days(21, HALF_YEAR), late, 240),
            (
                state_never(RISING, 0, 10, "trend"),
                state_by(18, RISING, "trend"),
                state_at_end(RISING, "trend"),
            ),
            twin="flat_half_yearly_2",
        )
    )
    return found


def _seasonal() -> list[Course]:
    at = days(25, YEAR / 4)
    rng = np.random.default_rng(300)
    moves = []
    for d in at:
        swing = 1 + 0.3 * np.sin(2 * np.pi * d / YEAR)
        level = {
            n: v if isinstance(v, str) or n in {"o2", "n2"} else v * swing for n, v in steady()(d).items()
        }
        moves.append(Sampled(day(d), measured(level, rng)))
    return [
        Course(
            "seasonal",
            "All gases swing by 30 % with the season, quarterly, six years",
            moves,
            QUIET_THROUGHOUT,
        )
    ]


def _high() -> list[Course]:
    at = days(13, HALF_YEAR)
    rising_high = growing(0.3, "h2", "ch4", "c2h6", "c2h4", other=HIGH)
    return [
        Course(
            "stable_high",
            "Stable at two and a half times Table 2, half-yearly, six years, nobody looked",
            samples(at, steady(**HIGH), 310, 0.03, 0.02),
            (
                status_is(frozenset({3})),
                alarm_by(0, 2),
                no_alarm(4, OF_GAS),
                state_by(6, frozenset({"stable_high"})),
                state_never(RISING, 4),
                due_after(30, 8),
                gravity_at_least(2, 0),
            ),
        ),
        Course(
            "stable_high_reviewed",
            "The same, reviewed after two years",
            [
                *samples(at[:5], steady(**HIGH), 311, 0.03, 0.02),
                Recorded(day(2.1 * YEAR), "review"),
                *samples(at[5:], steady(**HIGH), 312, 0.03, 0.02),
            ],
            (
                status_is(frozenset({3})),
                gravity_at_most(2, 7),
                state_at_end(frozenset({"stable_high"})),
                due_after(30, 7),
            ),
        ),
        Course(
            "rising_high",
            "From the same level on by 30 % a year, half-yearly",
            samples(at, rising_high, 313, 0.03, 0.02),
            (
                alarm_by(3, 3),
                alarm_never_eases(),
                state_by(4, RISING),
                state_at_end(RISING),
                gravity_at_least(3, 4),
                due_within(30, 4),
            ),
            twin="stable_high",
        ),
        Course(
            "forty_times",
            "Ethylene and methane by forty times Table 4, half-yearly",
            samples(at[:9], growing(14.0, "c2h4", "ch4"), 314),
            (
                alarm_by(2, 3),
                alarm_never_eases(),
                state_by(2, RISING),
                gravity_at_least(3, 2),
                due_within(14, 2),
            ),
            twin="stable_high",
        ),
    ]


def _laboratories() -> list[Course]:
    at = days(21, HALF_YEAR)

    def other(moves: list[Sampled], factor: float) -> list[Sampled]:
        found = []
        for one in moves:
            more = {
                n: float(f"{v * factor:.3g}") if not isinstance(v, str) and n not in {"o2", "n2"} else v
                for n, v in one.readings.items()
            }
            found.append(Sampled(one.at, more, "OTHER"))
        return found

    flat = samples(at, steady(), 320)
    rises = samples(at, growing(0.2, *THREE), 321)
    return [
        Course(
            "laboratory_change",
            "Another laboratory after five years, which finds 8 % more of everything",
            [*flat[:10], *other(flat[10:], 1.08)],
            QUIET_THROUGHOUT,
        ),
        Course(
            "laboratory_change_rising",
            "The same change, and three gases rise by 20 % a year",
            [*rises[:10], *other(rises[10:], 1.08)],
            (state_by(12, RISING, "trend"), state_at_end(RISING, "trend")),
            twin="laboratory_change",
        ),
    ]


def _denser() -> list[Course]:
    """The same curve, sampled every 60, 30 and 15 days: status 3 and gravity 3 by the same day."""

    def curve(d: float) -> dict[str, float | str]:
        return {**steady()(d), "c2h4": 20.0 + 15.0 * d / MONTH, "ch4": 36.0 + 12.0 * d / MONTH}

    found = []
    for every in (60, 30, 15):
        at = days(240 // every + 1, every)
        by = 180 // every
        expects: tuple[Expect, ...] = (
            status_is(frozenset({3}), by),
            gravity_at_least(3, by),
            alarm_never_eases(),
            state_by(by, RISING),
        )
        found.append(
            Course(
                f"every_{every}_days",
                f"Ethylene by 15 and methane by 12 µL/L a month, sampled every {every} days",
                exactly(at, curve),
                expects,
                twin="flat_monthly_1",
            )
        )
    return found


COURSES: Final = (*_flat(), *_slow(), *_seasonal(), *_high(), *_laboratories(), *_denser())
