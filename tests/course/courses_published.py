"""The published series that stand in ``tests/domain/golden``, with their sources."""

import csv
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from course_levels import day
from course_model import (
    OF_GAS,
    RISING,
    Course,
    Readings,
    Sampled,
    Unit,
    alarm_by,
    alarm_never_eases,
    finding_never,
    gravity_at_least,
    gravity_at_most,
    no_alarm,
    says,
    state_by,
    state_never,
)

GOLDEN: Final = Path(__file__).parents[1] / "domain" / "golden"
GASES: Final = ("h2", "ch4", "c2h6", "c2h4", "c2h2", "co", "co2", "o2", "n2")
UNKNOWN: Final = Unit(year_energized=None, preservation="unknown", tap_changer="unknown")


def _golden(name: str) -> list[dict[str, str]]:
    with (GOLDEN / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _readings(row: dict[str, str]) -> Readings:
    return {gas: float(row[gas]) for gas in GASES if row.get(gas)}


def _series(number: str) -> list[Sampled]:
    rows = [row for row in _golden("published_series") if row["series"] == number]
    return [
        Sampled(datetime.fromisoformat(row["date"]).replace(hour=9, tzinfo=UTC), _readings(row))
        for row in rows
    ]


def _guide(case: str) -> list[Sampled]:
    return [
        Sampled(day(float(row["day"])), _readings(row))
        for row in _golden("guide_cases")
        if row["case"] == case
    ]


COURSES: Final = (
    Course(
        "guide_b1",
        "IEEE C57.104-2019 Annex B.1: ethylene of a new unit, one sample of 38 that is refuted",
        [
            Sampled(day(float(row["day"])), {"c2h4": float(row["c2h4"]), "o2": 1500.0, "n2": 55_000.0})
            for row in _golden("ieee_c57_104_2019_b1")
        ],
        (
            gravity_at_most(1, 0, 8),
            gravity_at_least(1, 9, 9),
            gravity_at_most(1, 10),
            no_alarm(2, OF_GAS, first=10),
            state_never(RISING, 10, part="trend"),
        ),
        Unit(year_energized=2010),
    ),
    Course(
        "guide_e1",
        "IEEE C57.104-2019 Annex E.1: a hot spot in a new unit, found on inspection",
        _guide("E.1"),
        (
            alarm_by(1, 3, OF_GAS | {"confirmation"}),
            gravity_at_least(4, 1, part="walk"),
            alarm_by(2, 4, part="walk"),
            alarm_never_eases(),
            state_by(2, RISING),
            says("T3", 1, "sure", first=1),
        ),
        Unit(year_energized=2011),
    ),
    Course(
        "guide_e9",
        "IEEE C57.104-2019 Annex E.9: a hot spot, slower",
        _guide("E.9"),
        (alarm_by(2, 3), alarm_never_eases(), gravity_at_least(3, 2), state_by(3, RISING)),
        UNKNOWN,
    ),
    Course(
        "published_1",
        "Series 1: a hot spot, daily for eleven days, steady (Fei and Sun 2008)",
        _series("1"),
        (alarm_by(0, 3), alarm_never_eases(), gravity_at_least(3, 0), state_never(RISING, part="trend")),
        UNKNOWN,
    ),
    Course(
        "published_3",
        "Series 3: acetylene of 90 µL/L, weekly, steady (Zheng et al. 2009)",
        _series("3"),
        (alarm_by(0, 3), alarm_never_eases(), gravity_at_least(3, 0), state_never(RISING, part="trend")),
        UNKNOWN,
    ),
    Course(
        "published_4",
        "Series 4: slowly rising with one low sample, weekly (Liao et al. 2011)",
        _series("4"),
        (
            alarm_by(0, 2),
            alarm_never_eases(),
            finding_never("dropped", 0, 0),
            state_never(frozenset({"fallen", "quiet"}), part="walk"),
        ),
        UNKNOWN,
    ),
    Course(
        "published_5",
        "Series 5: methane above Table 2 of a unit whose O2/N2 is not told, steady over two years (Liao et al. 2011)",
        _series("5"),
        (
            alarm_by(0, 3),
            no_alarm(4, OF_GAS),
            gravity_at_most(3),
            state_never(frozenset({"confirmed", "accelerating"})),
        ),
        UNKNOWN,
    ),
)
