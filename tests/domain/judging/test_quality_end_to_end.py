"""Signs that a sample is not what it seems, from readings to alert: it is judged, doubted, and raises no alarm alone.

The signs are those of IEEE C57.104-2019, 5.1 and 5.2.1; how the odd samples are made is ours.
"""

import pytest
from engine_cast import QUIET, frame, judge, steady

from app.domain.alerting.advice import urgency
from app.domain.alerting.conditions.confirmation import CONFIRMATION
from app.domain.alerting.conditions.gassing import EXTREME, GASSING
from app.domain.alerting.conditions.registry import evidence
from app.domain.alerting.shown import Speaker, of_assessment
from app.domain.findings import Assessment, Severity
from app.domain.judging.engine import assess
from app.domain.judging.report import ReportOptions, report
from app.domain.judging.verdict import verdict
from app.science.quantities import NORM_GASES

UNIT = {"h2": 60.0, "ch4": 40.0, "c2h6": 25.0, "c2h4": 15.0, "c2h2": 0.6, "co": 300.0, "co2": 3000.0}
"""Gas that is there but below Table 1 (10-30 years, O2/N2 0.02), so that signs have something to compare."""
LEVELS = [UNIT[gas] for gas in NORM_GASES]


def odd_sample(age: float = 20.0, **odd: float) -> Assessment:
    """Four good samples, then one with these readings changed."""
    samples = [*steady(4, **UNIT), (720.0, QUIET | UNIT | odd)]
    return report(judge(samples, age=age), 4, ReportOptions(detailed=False))


def moved(by: int) -> dict[str, float]:
    """Every reading written one column late or early."""
    columns = dict(zip(NORM_GASES[by:], LEVELS[:-by], strict=True)) if by > 0 else {}
    columns |= dict(zip(NORM_GASES[:by], LEVELS[-by:], strict=True)) if by < 0 else {}
    return dict.fromkeys(NORM_GASES, 0.0) | columns


SIGNS = {
    "air": ({"h2": 25.0, "ch4": 36.0, "o2": 9000.0, "n2": 52_000.0}, "air may have got into the sample"),
    "lost digit": ({"c2h4": 1.5}, "C₂H₄ is about ten times off while the others fit"),
    "doubled digit": ({"c2h4": 150.0}, "C₂H₄ is about ten times off while the others fit"),
    "unit too large": ({gas: 1000.0 * UNIT[gas] for gas in UNIT}, "All gases are off by a factor of 10^3"),
    "unit too small": ({gas: UNIT[gas] / 1000.0 for gas in UNIT}, "All gases are off by a factor of 10^-3"),
    "one column late": (moved(1), "shifted by one column"),
    "one column early": (moved(-1), "shifted by one column"),
    "swapped": ({"ch4": 15.0, "c2h4": 40.0}, "fit the history when CH₄ and C₂H₄ change places"),
    "swapped oxides": ({"h2": 300.0, "co": 60.0}, "fit the history when H₂ and CO change places"),
    "hydrogen lost": ({"h2": 20.0}, "Hydrogen fell by half while methane stayed"),
    "fall": (
        {"h2": 12.0, "ch4": 12.0, "c2h6": 9.0, "c2h4": 6.0},
        "H₂, CH₄, C₂H₆, C₂H₄ fell by more than measurement can explain, with no degassing on record",
    ),
}


FAR_ABOVE = {
    "unit too large": EXTREME,
    "one column late": EXTREME,
    "one column early": EXTREME,
    "doubled digit": 3,
    "swapped oxides": 3,
}
"""Signs that, if they are none, show gas above Table 2 or extreme: who doubts them must still hear of them."""


@pytest.mark.parametrize("name", SIGNS)
def test_an_odd_sample_is_doubted_and_asks_for_confirmation_and_alarms_only_where_it_is_extreme(
    name: str,
) -> None:
    odd, words = SIGNS[name]
    found = odd_sample(**odd)
    assert found.doubtful
    assert found.suspect
    quality = [f for f in found.findings if f.rule == "quality"]
    assert any(words in f.text for f in quality), [f.text for f in quality]
    assert all(f.source == "IEEE C57.104-2019, 5.1" and f.severity is Severity.INFORMATION for f in quality)
    shown = evidence(of_assessment(found, Speaker("LAB", online=False)))
    assert shown[GASSING].severity == FAR_ABOVE.get(name, 0)
    assert shown[CONFIRMATION].severity >= 2
    assert found.status is not None, "it is judged all the same"
    assert "the sample itself is in doubt" in verdict(found)[0].text


@pytest.mark.parametrize("name", ["air", "lost digit", "unit too small", "fall"])
def test_the_next_step_for_a_doubtful_sample_is_a_confirmation_sample(name: str) -> None:
    assert urgency(odd_sample(**SIGNS[name][0])) == "suspect"


@pytest.mark.parametrize(
    ("odd", "name"),
    [
        ({"o2": 50_000.0, "n2": 80_000.0}, "O₂"),
        ({"n2": 180_000.0}, "N₂"),
        ({"water": 130.0, "oil_temperature": 20.0}, "water"),
    ],
)
def test_more_than_oil_can_hold_puts_only_that_in_doubt(odd: dict[str, float], name: str) -> None:
    found = odd_sample(**odd)
    assert f"There is more {name} than oil can hold." in [f.text for f in found.findings]
    assert not found.doubtful
    if name != "water":
        assert "O₂/N₂ unknown, so the columns above 0.2" in " ".join(found.status_reasons)


def test_a_copy_of_the_report_before_is_doubted() -> None:
    samples = steady(4, **UNIT)
    repeated = report(judge([*samples, (720.0, samples[-1][1])], age=20.0), 4)
    assert repeated.doubtful
    assert any("Every figure equals the report before it" in f.text for f in repeated.findings)


def test_an_ordinary_sample_is_not_doubted() -> None:
    found = odd_sample(h2=62.0)
    assert not found.doubtful
    assert not found.suspect
    assert GASSING in evidence(of_assessment(found, Speaker("LAB", online=False)))


def test_a_real_fault_is_suspected_but_not_doubted() -> None:
    """Thermal gas in about the shares of E.1: all hydrocarbons rise together. C2H4 +200 µL/L is extreme."""
    for part, severity in ((0.28, 3), (1.0, EXTREME)):
        shares = {"h2": 95.0, "ch4": 421.0, "c2h6": 128.0, "c2h4": 695.0, "c2h2": 7.0}
        found = odd_sample(**{gas: max(UNIT[gas], part * value) for gas, value in shares.items()})
        assert (found.status, found.suspect, found.doubtful) == (3, True, False)
        assert evidence(of_assessment(found, Speaker("LAB", online=False)))[GASSING].severity == severity, (
            "levels above Table 2 count at once"
        )


def test_a_refuted_slip_leaves_later_samples_alone() -> None:
    samples = [
        *steady(4, **UNIT),
        (720.0, QUIET | UNIT | {"c2h4": 150.0}),
        (740.0, QUIET | UNIT),
        (900.0, QUIET | UNIT),
    ]
    judgement = judge(samples, age=20.0)
    assert judgement.changes.dropped.tolist() == [False] * 4 + [True, False, False]
    after = report(judgement, 5)
    assert (after.status, after.suspect) == (1, False)
    assert any(f.rule == "refuted" for f in after.findings)
    assert abs(after.rates["c2h4"].per_year) < 1.0


def test_a_series_that_falls_for_good_is_believed_at_the_second_sample() -> None:
    """A degassing that nobody recorded."""
    low = QUIET | {gas: 0.3 * value for gas, value in UNIT.items()}
    later = low | {"h2": 18.5, "co2": 910.0}
    judgement = judge([*steady(4, **UNIT), (720.0, low), (740.0, later)], age=20.0)
    assert judgement.quality.doubtful.tolist() == [False] * 4 + [True, False]
    assert judgement.changes.confirmed[5]
    assert not judgement.changes.dropped.any()


def test_on_line_readings_are_not_judged_by_signs_of_a_laboratory_sample() -> None:
    samples = [*steady(4, every=1.0, **UNIT), (4.0, QUIET | UNIT | {"c2h4": 1.5})]
    assert not assess(frame(samples, online=True)).quality.doubtful.any()
