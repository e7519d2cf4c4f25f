"""Courses without a published norm: tap changers and esters; and of water, oil and paper."""

from typing import Final

from course_levels import HALF_YEAR, QUIET, YEAR, Levels, day, days, exactly, growing, samples, steady
from course_model import (
    Course,
    Readings,
    Sampled,
    Unit,
    alarm_by,
    alarm_never_eases,
    due_within,
    gravity_by,
    never_says,
    no_alarm,
    says,
    status_is,
)

OWN: Final = frozenset({"own_record"})
WATER: Final = frozenset({"water"})
OIL: Final = frozenset({"oil"})
PAPER: Final = frozenset({"paper"})
NO_STATUS: Final = status_is(frozenset({None}), part="oils")
TAP: Final = Unit(tap_changer="separate", compartment="tap changer")
ESTER: Final = Unit(liquid="natural_ester", year_energized=2010)
QUARTER: Final = YEAR / 4
DIVERTER: Final[dict[str, float | str]] = {
    "h2": 2500.0,
    "ch4": 420.0,
    "c2h6": 90.0,
    "c2h4": 640.0,
    "c2h2": 3000.0,
    "co": 200.0,
    "co2": 1500.0,
}
"""An ordinary breaking contact in oil."""
NATURAL: Final[dict[str, float | str]] = {
    "h2": 60.0,
    "ch4": 20.0,
    "c2h6": 210.0,
    "c2h4": 12.0,
    "c2h2": "<0.5",
    "co": 400.0,
    "co2": 3500.0,
    "o2": 2000.0,
    "n2": 50_000.0,
}
"""A natural ester with the stray ethane of its first years."""
ORDINARY: Final = 8
"""Quarters before anything happens."""


def _worn(d: float) -> Readings:
    """An ordinary year: all gases with the operations, acetylene from 3,000 to 3,200."""
    factor = 1 + 0.067 * d / YEAR
    return {n: v if isinstance(v, str) else v * factor for n, v in DIVERTER.items()}


def _tap_changers() -> list[Course]:
    ordinary = samples(days(ORDINARY, QUARTER), _worn, 600, 0.05, 0.03)
    last = ORDINARY * QUARTER

    def coking(d: float) -> Readings:
        quarters = (d - last) / QUARTER
        return {**_worn(d), "c2h4": 640.0 * 2 ** (quarters + 1), "ch4": 420.0 * 1.6 ** (quarters + 1)}

    vacuum: Levels = steady(h2=15.0, c2h2=3.0, c2h4=6.0)
    struck = {**QUIET, "c2h2": 420.0, "h2": 900.0, "c2h4": 110.0, "ch4": 90.0}
    at = [last + QUARTER * i for i in range(4)]
    return [
        Course(
            "tap_changer_year",
            "An ordinary tap changer, acetylene from 3,000 by 200 a year, quarterly, three years",
            samples(days(13, QUARTER), _worn, 600, 0.05, 0.03),
            (NO_STATUS, no_alarm(2, part="oils"), due_within(400, 12)),
            TAP,
        ),
        Course(
            "tap_changer_fault",
            "The same; after two years ethylene doubles every quarter and acetylene does not",
            [*ordinary, *samples(at, coking, 601, 0.05, 0.03)],
            (
                NO_STATUS,
                no_alarm(2, part="oils", last=ORDINARY - 1),
                alarm_by(ORDINARY + 1, 2, OWN, "oils", ORDINARY),
                alarm_by(ORDINARY + 3, 3, OWN, "oils", ORDINARY),
                alarm_never_eases(OWN, "oils", ORDINARY),
                says("own record", ORDINARY + 1, "oils", ORDINARY),
                due_within(90, ORDINARY + 1),
            ),
            TAP,
            twin="tap_changer_year",
        ),
        Course(
            "tap_changer_vacuum",
            "A vacuum tap changer that made hardly any acetylene has 420 µL/L",
            [*samples(days(6, HALF_YEAR), vacuum, 602, 0.05, 0.03), Sampled(day(6 * HALF_YEAR), struck)],
            (NO_STATUS, alarm_by(6, 3, OWN, "oils", 6), due_within(30, 6)),
            TAP,
            twin="tap_changer_year",
        ),
    ]


def _esters() -> list[Course]:
    quiet: Levels = lambda _d: NATURAL  # noqa: E731
    arc = {**NATURAL, "c2h2": 85.0, "h2": 620.0, "c2h4": 95.0, "ch4": 70.0}
    at = days(6, HALF_YEAR)
    return [
        Course(
            "ester_quiet",
            "A natural ester with stray ethane, half-yearly, four years",
            samples(days(9, HALF_YEAR), quiet, 610),
            (NO_STATUS, no_alarm(2, part="oils"), due_within(400, 8)),
            ESTER,
        ),
        Course(
            "ester_arc",
            "The same; then acetylene from nothing with hydrogen and ethylene",
            [
                *samples(at, quiet, 610),
                Sampled(day(6 * HALF_YEAR), arc),
                Sampled(day(6 * HALF_YEAR + 20), arc),
            ],
            (
                NO_STATUS,
                alarm_by(6, 3, OWN, "oils", 6),
                alarm_never_eases(OWN, "oils", 6),
                says("no published norm", 6, "oils", 6),
                due_within(14, 6),
            ),
            ESTER,
            twin="ester_quiet",
        ),
        Course(
            "ester_first_arc",
            "The first sample of an ester unit has 800 µL/L of acetylene",
            [Sampled(day(0), {**NATURAL, "c2h2": 800.0, "h2": 900.0, "c2h4": 300.0})],
            (NO_STATUS, alarm_by(0, 3, OWN, "oils"), due_within(14, 0)),
            ESTER,
            twin="ester_quiet",
        ),
    ]


def _water() -> list[Course]:
    def wet(water: float, temperature: float) -> list[Sampled]:
        level = steady(water=water, oil_temperature=temperature)
        return samples(days(4, QUARTER), level, 620, 0.03, 0.0)

    return [
        Course(
            "wet_oil",
            "18 mg/kg of water in oil of 12 °C: nearly half saturated",
            wet(18.0, 12.0),
            (alarm_by(1, 2, WATER, "oils"), alarm_never_eases(WATER, "oils"), says("saturat", 1, "oils")),
            twin="warm_oil_same_water",
        ),
        Course(
            "warm_oil_same_water",
            "The same 18 mg/kg in oil of 60 °C",
            wet(18.0, 60.0),
            (no_alarm(2, WATER, "oils"),),
        ),
        Course(
            "very_wet_oil",
            "45 mg/kg of water in oil of 40 °C",
            wet(45.0, 40.0),
            (alarm_by(0, 2, WATER, "oils"), alarm_never_eases(WATER, "oils")),
            twin="warm_oil_same_water",
        ),
        Course(
            "ester_water",
            "150 mg/kg of water in a natural ester of 40 °C: far from saturated",
            samples(
                days(4, QUARTER),
                lambda _d: {**NATURAL, "water": 150.0, "oil_temperature": 40.0},
                621,
                0.03,
                0.0,
            ),
            (no_alarm(2, WATER, "oils"),),
            ESTER,
        ),
    ]


def _oil_and_paper() -> list[Course]:
    good = {
        "breakdown_voltage": 72.0,
        "acidity": 0.02,
        "interfacial_tension": 40.0,
        "dissipation_factor": 0.002,
        "water": 8.0,
        "oil_temperature": 45.0,
    }

    def between(bad: dict[str, float]) -> Levels:
        def at(d: float) -> Readings:
            share = d / (8 * YEAR)
            return {**QUIET, **good, **{n: good[n] + share * (v - good[n]) for n, v in bad.items()}}

        return at

    bad = {"breakdown_voltage": 25.0, "acidity": 0.4, "interfacial_tension": 14.0, "dissipation_factor": 0.6}

    def ageing(d: float) -> Readings:
        return {**growing(0.12, "co", "co2", other={"co": 450.0})(d), "furfural": 0.1 * 2 ** (d / YEAR)}

    at = days(9, YEAR)
    return [
        Course(
            "oil_ages",
            "Breakdown voltage, acidity, tension and losses go from good to poor in eight years",
            samples(at, between(bad), 630, 0.02, 0.0),
            (
                no_alarm(2, OIL, "oils", last=1),
                alarm_by(8, 2, OIL, "oils"),
                alarm_never_eases(OIL, "oils"),
            ),
            twin="oil_good",
        ),
        Course(
            "oil_good",
            "Good oil for eight years",
            samples(at, between({}), 631, 0.02, 0.0),
            (no_alarm(2, OIL, "oils"),),
        ),
        Course(
            "paper_ages",
            "Furfural doubles every year from 0.1 mg/kg, carbon oxides rise",
            exactly(days(7, YEAR), ageing),
            (
                no_alarm(3, PAPER, "oils", last=1),
                alarm_by(5, 2, PAPER, "oils"),
                alarm_by(6, 3, PAPER, "oils"),
                alarm_never_eases(PAPER, "oils"),
                says("polymerization", 6, "oils"),
                gravity_by(6, 1, "oils"),
            ),
            twin="paper_new",
        ),
        Course(
            "paper_new",
            "A new unit, furfural at its detection limit",
            exactly(
                days(5, YEAR),
                lambda d: {
                    **QUIET,
                    "c2h6": 20.0,
                    "co": 120.0 + 20 * d / YEAR,
                    "co2": 900.0,
                    "furfural": "<0.02",
                },
            ),
            (no_alarm(2, PAPER, "oils"), never_says("end of life", part="oils")),
            Unit(year_energized=2011),
        ),
    ]


COURSES: Final = (*_tap_changers(), *_esters(), *_water(), *_oil_and_paper())
