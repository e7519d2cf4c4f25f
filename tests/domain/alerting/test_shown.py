"""What a sample shows the alerts is the same from its assessment and from the columns it was judged in."""

from collections import Counter
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from engine_cast import QUIET, START

from app.domain.alerting.conditions.confirmation import CONFIRMATION
from app.domain.alerting.conditions.gassing import GASSING
from app.domain.alerting.conditions.registry import evidence
from app.domain.alerting.decisions import AlertState, decide
from app.domain.alerting.online_shown import OnlineShown
from app.domain.alerting.shown import Speaker, of_assessment
from app.domain.findings import Assessment, Course, Finding, Rate, Severity
from app.domain.judging.engine import Judgement, assess
from app.domain.judging.frame import SampleFrame, to_days
from app.domain.judging.light_view import online_view
from app.domain.judging.report import ReportOptions, report
from app.science.quantities import INDEX, NAMES, NORM_GASES

DAYS, A_DAY, GASES, SEEDS = 240, 3, len(NORM_GASES), 14
BRIEF = ReportOptions(detailed=False)


def random_monitor(seed: int) -> Judgement:
    """A monitor of eight months: gases at any level that step, climb, fail and hide below detection limits."""
    random = np.random.default_rng(seed)
    n = DAYS * A_DAY
    at = to_days(START) + np.arange(n) / A_DAY
    values = np.full((n, len(NAMES)), np.nan)
    missing, hidden = float(random.choice([0.0, 0.001, 0.3])), float(random.choice([0.0, 0.0, 0.1]))
    for name in (*NORM_GASES, "o2", "n2"):
        quiet, scale = max(QUIET[name], 0.3), float(random.choice([0.3, 1.0, 1.0, 1.0, 3.0, 20.0]))
        course = quiet * scale * random.lognormal(0.0, 0.02, n)
        if random.random() < 0.25:
            course[int(random.integers(n)) :] *= random.choice([0.4, 1.5, 4.0, 30.0, 150.0])
        if random.random() < 0.25:
            course += np.linspace(0.0, random.uniform(0.0, 3.0) * course[0], n)
        course[random.random(n) < missing] = np.nan
        values[:, INDEX[name]] = course
    below = np.zeros(values.shape, dtype=np.bool_)
    below[:, :GASES] = (random.random((n, GASES)) < hidden) & ~np.isnan(values[:, :GASES])
    zero, age = np.zeros(n, dtype=np.int64), np.full(n, float(random.choice([np.nan, 0.5, 12.0, 40.0])))
    frame = SampleFrame(zero, at, values, below, age, np.full(n, True), np.full(n, np.nan))
    return assess(frame)


@pytest.mark.parametrize("seed", range(SEEDS))
def test_columns_and_assessments_show_the_same_on_random_rows(seed: int) -> None:
    judgement = random_monitor(seed)
    rows = np.random.default_rng(seed).choice(DAYS * A_DAY, 100, replace=False).astype(np.int64)
    rows.sort()
    shown = OnlineShown(online_view(judgement, rows))
    for place, row in enumerate(rows):
        by = Speaker("GM-1", online=True, at=START + timedelta(days=int(row)))
        from_columns = shown.row(place, by)
        assert from_columns == of_assessment(report(judgement, int(row), BRIEF), by)


def test_the_random_rows_show_everything_there_is_to_show() -> None:
    seen: Counter[str] = Counter()
    for seed in range(SEEDS):
        view = online_view(random_monitor(seed), np.arange(DAYS * A_DAY))
        seen["passed over"] += DAYS * A_DAY - len(OnlineShown(view).that_can_move_alerts(range(DAYS * A_DAY)))
        seen.update(f"status {v.status}" for v in view.verdicts)
        seen["suspect"] += sum(v.suspect for v in view.verdicts)
        seen["fault"] += sum(v.fault is not None for v in view.verdicts)
        seen["extreme"] += int(view.extreme.sum())
        seen["levels say less than the status"] += int(
            sum((v.status or 0) > level for v, level in zip(view.verdicts, view.by_level, strict=True))
        )
    wanted = {"status 1", "status 2", "status 3", "suspect", "fault", "extreme", "passed over"}
    assert {name for name, times in seen.items() if times >= 100} == {
        *wanted,
        "levels say less than the status",
    }


@pytest.mark.parametrize("seed", range(SEEDS))
def test_rows_that_are_passed_over_move_no_alert(seed: int) -> None:
    """The alert after all rows, and all that happened to it, are those after the few rows that can move it."""
    shown = OnlineShown(online_view(random_monitor(seed), np.arange(DAYS * A_DAY)))
    everything = list(range(DAYS * A_DAY))
    few = shown.that_can_move_alerts(everything)

    def course(rows: list[int]) -> tuple[AlertState, list[tuple[str, int, str | None]]]:
        state, told = AlertState(GASSING), []
        for row in rows:
            at = START + timedelta(days=row / A_DAY)
            for one in evidence(shown.row(row, Speaker("GM-1", online=True, at=at))).values():
                state, change = decide(state, one, at)
                if change is not None:
                    told.append((change.reason.value, change.after.severity, change.after.fault))
        return state, told

    whole, short = course(everything), course(few)
    assert short[1] == whole[1]
    assert (short[0].state, short[0].severity, short[0].fault) == (
        whole[0].state,
        whole[0].severity,
        whole[0].fault,
    )


@pytest.mark.parametrize(
    ("days", "gravity", "severity"),
    [(150.0, 0, 0), (730.0, 0, 2), (150.0, 1, 2)],
    ids=["sampled monthly", "sampled twice a year", "the course asks for it as well"],
)
def test_nobody_is_asked_for_the_sample_that_a_month_brings_anyway(
    days: float, gravity: int, severity: int
) -> None:
    """Six samples over so many days; their rate is above its norm and not borne out."""
    found = Finding("rate", Severity.INTERMEDIATE, "The rate is above its norm.", "h2")
    rates = {"h2": Rate(60.0, days, 6)}
    said = Assessment(3, True, ("because",), "ieee_c57_104_2019", "test", findings=(found,), rates=rates)
    shown = of_assessment(replace(said, course=Course("quiet", None, gravity)), Speaker("LAB", online=False))
    assert shown is not None
    asked = CONFIRMATION.shown(shown)
    assert asked is not None
    assert asked.severity == severity
