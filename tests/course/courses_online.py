"""Courses of monitors: 4-hourly readings, a year or more learned, then day by day."""

from collections.abc import Callable
from typing import Final

import numpy as np
from course_levels import YEAR, day
from course_model import (
    OF_GAS,
    RISING,
    Course,
    Posted,
    Readings,
    Unit,
    alarm_by,
    alarm_never_eases,
    mails_at_most,
    never_says,
    no_alarm,
    says,
    state_by,
    state_never,
    status_is,
)
from numpy.typing import NDArray

CHANGE: Final = frozenset({"online_change"})
MONITORED: Final = Unit(monitored=True)
A_DAY: Final = 6
"""Readings."""
LEARNED: Final = 400
"""Days before the course begins, unless said."""
GASES: Final[dict[str, float]] = {
    "h2": 30.0,
    "ch4": 36.0,
    "c2h6": 36.0,
    "c2h4": 20.0,
    "c2h2": 0.3,
    "co": 360.0,
    "co2": 4000.0,
}
ALONE: Final = 20.0
"""Hydrogen of a monitor that measures nothing else: without O2/N2 its norm is the lower one."""
PER_KELVIN: Final[dict[str, float]] = {
    "h2": 0.015,
    "ch4": 0.004,
    "c2h6": 0.004,
    "c2h4": 0.003,
    "c2h2": 0.0,
    "co": 0.005,
    "co2": 0.006,
}
"""How much a gas in the oil follows the oil temperature."""

Added = Callable[[NDArray[np.float64]], dict[str, NDArray[np.float64]]]
"""Factors by gas at so many days after the course begins; 1 where nothing is said."""


def monitor(
    seed: int, begins: int, ends: int, added: Added, only: tuple[str, ...] = tuple(GASES)
) -> list[Posted]:
    """All days before the course begins at once, then each day by itself.

    Noise of 4 % a reading and 3 % a day with a memory (phi 0.5), 2 % of it shared; oil between 19 and 32 °C over the
    year, with weather and load.
    """
    rng = np.random.default_rng(seed)
    n = (begins + ends) * A_DAY
    t = np.arange(n) / A_DAY - begins
    daily = np.repeat(_remembering(rng, begins + ends, 0.8, 4.0), A_DAY)
    oil = 25.5 - 6.5 * np.cos(2 * np.pi * t / YEAR) + daily + 1.5 * np.sin(2 * np.pi * t)
    load = 0.6 + 0.1 * np.sin(2 * np.pi * t) + rng.normal(0, 0.03, n)
    shared = np.repeat(_remembering(rng, begins + ends, 0.5, 0.02), A_DAY)
    columns = {}
    factors = added(t)
    for gas in only:
        own = np.repeat(_remembering(rng, begins + ends, 0.5, 0.022), A_DAY) + rng.normal(0, 0.04, n)
        swing = PER_KELVIN[gas] * (oil - 25.5)
        level = GASES[gas] if len(only) > 1 else ALONE
        columns[gas] = level * factors.get(gas, np.ones(n)) * np.exp(swing + own + shared)

    def readings(i: int) -> tuple[object, Readings]:
        found: dict[str, float | str] = {g: float(f"{c[i]:.4g}") for g, c in columns.items()}
        if len(only) > 1:
            found |= {"o2": 1500.0, "n2": 55_000.0}
        found |= {"oil_temperature": round(float(oil[i]), 1), "load": round(float(load[i]), 3)}
        return day(float(t[i])), found

    rows = [(day(float(t[i])), readings(i)[1]) for i in range(n)]
    first = begins * A_DAY
    return [Posted(rows[:first]), *(Posted(rows[i : i + A_DAY]) for i in range(first, n, A_DAY))]


def _remembering(rng: np.random.Generator, count: int, phi: float, spread: float) -> NDArray[np.float64]:
    """A series with a memory, of this spread."""
    steps = rng.normal(0, spread * np.sqrt(1 - phi**2), count)
    found = np.empty(count)
    last = rng.normal(0, spread)
    for i, step in enumerate(steps):
        last = phi * last + step
        found[i] = last
    return found


def _nothing(_t: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
    return {}


def _onset(per_day: float, *gases: str) -> Added:
    return lambda t: {gas: np.exp(per_day * np.maximum(0.0, t)) for gas in gases}


def _drift(t: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
    """One gas reads more and more, by 2 % of its value a month."""
    return {"h2": 1 + 0.02 * np.maximum(0.0, t) / 30}


def _flicker(t: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
    """Ethylene stands at its norm of 50 µL/L, from long before."""
    return {"c2h4": np.full(len(t), 50.0 / GASES["c2h4"])}


def _onsets() -> list[Course]:
    # by the delay in which nine of ten were found in the simulation that set the limits (a year learned), and some room
    cases = (
        ("slow", 0.005, 36, ("ch4", "c2h6", "c2h4")),
        ("medium", 0.01, 22, ("ch4", "c2h6", "c2h4")),
        ("fast", 0.05, 9, ("ch4", "c2h6", "c2h4")),
        ("one_gas", 0.02, 18, ("c2h4",)),
    )
    return [
        Course(
            f"online_{name}",
            f"{len(gases)} of the gases of a monitor begin to rise by {per_day:.1%} a day",
            monitor(700 + number, LEARNED, by + 12, _onset(per_day, *gases)),
            (
                no_alarm(1, CHANGE, "online", last=0),
                alarm_by(by, 1, CHANGE, "online", first=1),
                alarm_never_eases(CHANGE, "online", first=1),
                says("sample", by, "online", first=1),
            ),
            MONITORED,
            twin="online_flat",
        )
        for number, (name, per_day, by, gases) in enumerate(cases)
    ]


def _sudden() -> list[Course]:
    def jump(t: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
        rise = np.clip(t / 2, 0, 1)
        return {"h2": 1 + 14 * rise, "c2h4": 1 + 9 * rise, "c2h2": 1 + 160 * rise, "ch4": 1 + 4 * rise}

    return [
        Course(
            "online_arc",
            "Within two days hydrogen to 450, acetylene to 48, ethylene to 200 µL/L, and it stays",
            monitor(710, LEARNED, 30, jump),
            (
                alarm_by(3, 3, OF_GAS, first=1),
                alarm_by(3, 4, OF_GAS, "walk", first=1),
                alarm_never_eases(OF_GAS, first=1),
            ),
            MONITORED,
            twin="online_flat",
        ),
        Course(
            "online_blind",
            "Blind as yet: six weeks after it begins hydrogen and methane of a monitor are at 1.8 times their level",
            monitor(712, 2, 60, lambda t: {gas: np.where(t < 40, 1.0, 1.8) for gas in ("h2", "ch4")}),
            (
                no_alarm(1, CHANGE, "online", last=39),
                says("blind for small changes, until about 2012-08", 10, "online", first=1),
                alarm_by(45, 2, CHANGE, "online", first=40),
                alarm_never_eases(CHANGE, "online", first=40),
                state_by(45, RISING, "online", first=40),
            ),
            MONITORED,
            twin="online_new",
        ),
        Course(
            "online_hydrogen_only",
            "A monitor of hydrogen alone; it begins to rise by 2 % a day",
            monitor(711, LEARNED, 30, _onset(0.02, "h2"), ("h2",)),
            (alarm_by(18, 1, CHANGE, "online", first=1), alarm_never_eases(CHANGE, "online", first=1)),
            MONITORED,
            twin="online_hydrogen_swing",
        ),
    ]


def _harmless() -> list[Course]:
    quiet = (no_alarm(1, CHANGE, "online"), no_alarm(2, OF_GAS), state_never(RISING, part="online"))
    return [
        Course(
            "online_flat",
            "A quiet monitor, four months after a year",
            monitor(720, LEARNED, 120, _nothing),
            quiet,
            MONITORED,
        ),
        Course(
            "online_hydrogen_swing",
            "Hydrogen follows the oil temperature by 1.5 % a kelvin through spring and summer; hydrogen alone",
            monitor(721, 2 * LEARNED, 150, _nothing, ("h2",)),
            quiet,
            MONITORED,
        ),
        Course(
            "online_new",
            "A quiet monitor, from its third day on: the watch is blind, and says so",
            monitor(724, 2, 40, _nothing),
            (
                *quiet,
                says("blind for small changes, until about 2012-08", 1, "online"),
                never_says("against its own record", part="online"),
            ),
            MONITORED,
        ),
        Course(
            "online_drift",
            "The monitor reads 2 % more hydrogen each month",
            monitor(722, LEARNED, 90, _drift),
            (no_alarm(2, OF_GAS), status_is(frozenset({1}), part="online")),
            MONITORED,
        ),
        Course(
            "online_flicker",
            "Ethylene stands at its norm, the status flickers",
            monitor(723, LEARNED, 60, _flicker),
            (mails_at_most(3, "online", first=1), no_alarm(3, OF_GAS), state_never(RISING, part="online")),
            MONITORED,
        ),
    ]


COURSES: Final = (*_onsets(), *_sudden(), *_harmless())
