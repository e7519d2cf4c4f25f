"""The table of next steps: every row belongs to a condition, every gap is filled, every safety word stays."""

import re
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from app.domain.alerting.cautions import CAUTIONS, ENERGIZED, GENERAL, OIL_VALVE, SAMPLING
from app.domain.alerting.conditions.registry import CONDITIONS
from app.domain.alerting.notices import NextSteps
from app.domain.alerting.steps import cautions_of, next_steps
from app.domain.findings import PRACTICE
from app.science.tables import rows

NOW, ROME = datetime(2026, 3, 1, 23, 30, tzinfo=UTC), ZoneInfo("Europe/Rome")
"""In Rome it is March 2 already."""
FILLS = {"unit": "W-T1", "units": "W-T1, W-T2", "has": "have", "silent_at": "2026-03-01 16:15 CET"}
STEPS: dict[str, list[tuple[str, int | None]]] = {
    "late": [("It counts as silent from 2026-03-01 16:15 CET on, and a mail follows then.", None)],
    "silent": [
        ("otherwise the gateway or the link.", 1),
        ("does it show a fault, is its cable sound?", 3),
        ("Plan laboratory samples of W-T1, W-T2 for as long as it cannot be heard.", 3),
        ("it is not told while that lasts.", None),
    ],
    "silent, gassing": [
        ("otherwise the gateway or the link.", 1),
        ("does it show a fault, is its cable sound?", 1),
        ("there is an open gassing alert, and nothing on-line watches it now.", 1),
        ("it is not told while that lasts.", None),
    ],
    "never_heard": [
        ("samples of an unknown compartment with a refusal that names it.", 3),
        ("Until it is heard, W-T1 is watched by its laboratory samples only: plan them accordingly.", 14),
        ("it is not told while it has none.", None),
    ],
    "site_silent": [
        ("What all its instruments share is more likely than each of them alone.", 1),
        ("has the gateway, and what supplies the instruments, power?", 3),
        ("Plan laboratory samples for as long as the instruments cannot be heard.", 3),
    ],
    "site_silent, gassing": [
        ("What all its instruments share is more likely than each of them alone.", 1),
        ("has the gateway, and what supplies the instruments, power?", 1),
        (
            "of W-T1, W-T2, which have an open gassing alert, for as long as the instruments cannot be heard.",
            1,
        ),
    ],
    "fleet_silent": [("may be wrong at the sites.", 0), ("Then at the link that the sites share.", 1)],
    "back": [("Late readings are taken and judged at their own time.", 14)],
    "readings_disturbed": [("what its readings look like.", 3), ("membrane or extraction, calibration.", 14)],
    "readings_blind": [
        ("what its readings look like.", 3),
        ("Take a laboratory sample of W-T1: a rise of that gas would not be seen on-line now.", 3),
        ("membrane or extraction, calibration.", 14),
    ],
    "against_laboratory": [
        ("what its readings look like.", 3),
        ("to see whether the difference holds. Unit: W-T1.", 14),
        ("membrane or extraction, calibration.", 14),
    ],
    "online_change": [
        ("Are the readings of the instrument itself in doubt?", 3),
        ("it says whether the change is real and which gases are made.", 7),
        ("the watch then takes it as the new one.", 7),
    ],
    "online_change_fast": [
        ("Are the readings of the instrument itself in doubt?", 1),
        ("Take a laboratory sample of W-T1 at once: half as much gas again as before is no small change.", 1),
        ("the watch then takes it as the new one.", 7),
    ],
}
"""The end of each step and the days until it is due."""


def asked(case: str) -> NextSteps:
    name, _, gassing = case.partition(", ")
    return NextSteps(name, FILLS, bool(gassing))


@pytest.mark.parametrize("case", STEPS)
def test_the_steps_of_a_case(case: str) -> None:
    found = next_steps(asked(case), NOW, ROME)
    assert len(found) == len(STEPS[case])
    for step, (end, days) in zip(found, STEPS[case], strict=True):
        assert step.text.endswith(end)
        assert step.due == (None if days is None else date(2026, 3, 2 + days))
        assert step.source == PRACTICE
        assert "{" not in step.text


def test_the_cases_of_the_table_are_those_that_the_conditions_ask_for() -> None:
    written = {case for row in rows("notice_steps") for case in row["cases"].split()}
    wanted = {case for condition in CONDITIONS for case in condition.cases}
    assert written == wanted == {case.partition(", ")[0] for case in STEPS}


def test_a_case_without_rows_is_an_error() -> None:
    with pytest.raises(LookupError, match="nowhere"):
        next_steps(NextSteps("nowhere"), NOW, ROME)


def test_who_is_sent_to_a_unit_or_to_take_a_sample_is_told_to_take_care() -> None:
    everything = (ENERGIZED, OIL_VALVE, *SAMPLING, GENERAL)
    few = {"late": (GENERAL,), "back": (ENERGIZED,)}
    for case in STEPS:
        assert cautions_of(asked(case)) == few.get(case, everything)
    assert tuple(text for texts in CAUTIONS.values() for text in texts) == everything
    words = " ".join(everything)
    for danger in ("positive pressure", "energized", "hot", "explosive", "PCB", "permits", "qualified"):
        assert danger in words


def test_every_row_names_cautions_that_there_are_and_gaps_that_are_filled() -> None:
    for row in rows("notice_steps"):
        assert set(row["cautions"].split()) <= set(CAUTIONS)
        assert set(re.findall(r"\{(\w+)\}", row["step"])) <= set(FILLS)
        assert row["when"] in {"", "gassing", "not gassing"}
