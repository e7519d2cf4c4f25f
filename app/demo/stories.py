"""What happens to each unit of the invented fleet, as data. Every number here is invented.

The patterns only have to lie inside the zones of Duval's triangle 1 that their names promise
(tests/demo/test_patterns.py); the levels only have to lie where the story says, against Tables 1 to 4 of
IEEE C57.104-2019 (tests/demo/test_normality.py).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from app.science.quantities import NORM_GASES

LIVE_DAYS: Final = 60
"""The last days of the record are not in the history: simulated instruments play them."""

PATTERNS: Final[Mapping[str, tuple[float, ...]]] = {
    #                        h2    ch4   c2h6  c2h4  c2h2  co    co2
    "partial_discharge":    (85.0, 13.9, 1.0,  0.1,  0.0,  0.0,  0.0),
    "discharge_low":        (45.0, 12.0, 2.0,  8.0,  33.0, 0.0,  0.0),
    "discharge_high":       (40.0, 17.0, 3.0,  20.0, 20.0, 0.0,  0.0),
    "mixed":                (20.0, 30.0, 8.0,  34.0, 8.0,  0.0,  0.0),
    "thermal_low":          (14.0, 40.0, 41.0, 5.0,  0.0,  0.0,  0.0),
    "thermal_medium":       (14.0, 38.0, 17.0, 31.0, 0.0,  0.0,  0.0),
    "thermal_high":         (13.0, 24.0, 8.0,  54.5, 0.5,  0.0,  0.0),
    "stray":                (62.0, 20.0, 17.0, 1.0,  0.0,  0.0,  0.0),
    "paper":                (0.0,  0.5,  0.3,  0.2,  0.0,  6.0,  93.0),
    "tap_changer":          (12.0, 7.0,  1.0,  15.0, 65.0, 0.0,  0.0),
}  # fmt: skip
"""Relative generation of the seven gases of :data:`NORM_GASES` by fault, in parts of about 100."""


@dataclass(frozen=True, slots=True)
class Course:
    """A fault's production over time.

    Attributes:
        pattern: a key of :data:`PATTERNS`.
        kind: ``steady`` (``amount`` µL/L of the pattern a year), ``fading`` (``amount`` in all, approached with
            the time constant ``days`` from the history's start) or ``growing`` (``amount`` in all at the end
            of the history, rising with the square of the time from ``days`` before it).
        amount: sum over the pattern's gases [µL/L].
        days: time constant or duration [days].
    """

    pattern: str
    kind: str
    amount: float
    days: float = 0.0


@dataclass(frozen=True, slots=True)
class Plan:
    """The invented life of one unit.

    Attributes:
        story: one line for people.
        expected: status of the newest sample of the history by IEEE C57.104-2019.
        levels: the seven norm gases at the start of the history [µL/L].
        growth: share of its level a gas gains in a year by ordinary ageing.
        mean_load: [fraction of rating].
        water: water in oil at 40 °C [mg/kg].
        months: interval between laboratory samples.
        newest_days: age of the newest routine laboratory sample at the end of the history [days].
        courses: faults.
        spoiled: gas, µL/L added to the newest routine sample alone (a spoiled sample); a confirmation follows.
    """

    story: str
    expected: int
    levels: tuple[float, ...]
    growth: float = 0.01
    mean_load: float = 0.62
    water: float = 5.0
    months: float = 12.0
    newest_days: float = 150.0
    courses: tuple[Course, ...] = ()
    spoiled: tuple[str, float] | None = None


_YOUNG = (9.0, 7.0, 6.0, 2.5, 0.0, 260.0, 1_500.0)
_OPEN = (11.0, 5.5, 3.6, 4.0, 0.0, 190.0, 2_100.0)

PLANS: Final[Mapping[str, Plan]] = {
    "OST-T1": Plan("normal, free-breathing, old", 1, _OPEN, water=8.0, months=6, newest_days=95),
    "OST-T2": Plan(
        "slow heating of oil at low temperature: methane creeps up",
        2,
        (14.0, 21.5, 6.0, 3.0, 0.0, 210.0, 2_300.0),
        water=8.0,
        months=6,
        newest_days=19,
        courses=(Course("thermal_low", "steady", 3.2),),
    ),
    "OST-S1": Plan("normal, young", 1, _YOUNG, mean_load=0.4, water=6.0, newest_days=210),
    "QUE-T1": Plan(
        "normal until a thermal fault above 700 °C develops in the last weeks",
        1,
        (12.0, 9.0, 8.0, 4.0, 0.0, 330.0, 2_400.0),
        water=7.0,
        months=6,
        newest_days=104,
        courses=(Course("thermal_high", "growing", 470.0, 54.0),),
    ),
    "QUE-T2": Plan(
        "normal twin of QUE-T1",
        1,
        (11.0, 8.0, 8.5, 3.5, 0.0, 310.0, 2_300.0),
        water=6.0,
        months=6,
        newest_days=104,
    ),
    "QUE-S1": Plan("normal", 1, (8.0, 9.0, 11.0, 4.0, 0.0, 240.0, 1_900.0), mean_load=0.35, newest_days=260),
    "MAR-T1": Plan(
        "an old fault, repaired; degassed, and quiet since",
        1,
        (90.0, 158.0, 62.0, 140.0, 0.0, 420.0, 5_200.0),
        water=8.0,
        months=6,
        newest_days=70,
        courses=(Course("thermal_medium", "steady", 22.0),),
    ),
    "MAR-T2": Plan(
        "slow ageing of paper: carbon dioxide above Table 1, and wet",
        2,
        (12.0, 6.0, 4.0, 5.0, 0.0, 330.0, 6_400.0),
        growth=0.0,
        water=21.0,
        mean_load=0.7,
        months=6,
        newest_days=38,
        courses=(Course("paper", "steady", 140.0),),
    ),
    "ZEP-T1": Plan(
        "acetylene from a leaking tap changer: C2H2/H2 above 3, no fault in the tank",
        3,
        (11.0, 8.0, 4.5, 21.0, 46.0, 230.0, 2_900.0),
        growth=0.0,
        water=4.0,
        mean_load=0.55,
        months=6,
        newest_days=3,
    ),
    "ZEP-T2": Plan("normal, tap changer in its own tank", 1, (13.0, 10.0, 12.0, 5.0, 0.0, 350.0, 3_000.0),
                   mean_load=0.55, months=6, newest_days=118),
    "ZEP-R1": Plan(
        "stray gassing: hydrogen, methane and ethane on a plateau",
        2,
        (58.0, 24.0, 20.0, 1.5, 0.0, 300.0, 2_200.0),
        growth=0.0,
        mean_load=0.85,
        months=6,
        newest_days=24,
        courses=(Course("stray", "fading", 80.0, 640.0),),
    ),
    "ZEP-S1": Plan(
        "one odd hydrogen result that the confirmation sample did not repeat",
        1,
        (12.0, 8.0, 9.0, 4.0, 0.0, 280.0, 2_000.0),
        mean_load=0.3,
        months=15,
        newest_days=130,
        spoiled=("h2", 50.0),
    ),
}  # fmt: skip

LOSS: Final[Mapping[str, tuple[float, ...]]] = {
    "sealed": (0.04, 0.01, 0.005, 0.005, 0.01, 0.02, 0.02),
    "nitrogen_blanketed": (0.12, 0.05, 0.01, 0.01, 0.02, 0.06, 0.05),
    "free_breathing": (0.70, 0.25, 0.08, 0.10, 0.12, 0.45, 0.25),
}
"""Share of each norm gas that leaves the oil in a year, by preservation."""

AIR: Final[Mapping[str, tuple[float, float]]] = {
    "sealed": (1_900.0, 42_000.0),
    "nitrogen_blanketed": (1_100.0, 71_000.0),
    "free_breathing": (24_500.0, 58_000.0),
}
"""Oxygen and nitrogen in the oil [µL/L], by preservation: O2/N2 of 0.05, 0.02 and 0.42."""

DEGASSING_LEAVES: Final = 0.02
REBOUND_SHARE: Final = 0.02
REBOUND_DAYS: Final = 150.0
"""Of the gas before a degassing, the share left in the oil, and the share that comes back out of the paper."""

assert all(len(p) == len(NORM_GASES) for p in PATTERNS.values())
