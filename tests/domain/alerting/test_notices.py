"""What notices about instruments say, and which steps they ask for: every sentence once, by hand."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from app.domain.alerting.condition import OfReadings
from app.domain.alerting.conditions.agreement import AGREEMENT
from app.domain.alerting.conditions.data_quality import DATA_QUALITY
from app.domain.alerting.conditions.fleet_silent import FLEET_SILENT
from app.domain.alerting.conditions.online_change import ONLINE_CHANGE
from app.domain.alerting.conditions.silent import SILENT
from app.domain.alerting.conditions.site_silent import SITE_SILENT
from app.domain.alerting.conditions.together import Together
from app.domain.alerting.notices import Facts, Missed, NextSteps, Said
from app.domain.alerting.states import Change, Reason
from app.domain.instruments.instrument import Instrument
from app.domain.instruments.silence import Absence, Group, Watched

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
HOUR = timedelta(hours=1)
NEITHER = "This says nothing about the unit itself, neither good nor bad."
RAISED, RETURNED = Reason.RAISED, Reason.RETURNED


def instrument(number: int = 1, heard: float | None = 10.0, zone: str = "CET") -> Instrument:
    """Of a site in ``zone``, heard so many hours ago, every four hours."""
    at = None if heard is None else NOW - heard * HOUR
    watched = Watched(number, 7, 4 * HOUR, at)
    return Instrument(
        *(
            f"GM-{number}",
            f"Monitor {number}",
            f"W-T{number}",
            f"Unit {number}",
            "W",
            "West Weir",
            zone,
            False,
        ),
        watched,
    )


def away(hours: float, *, never: bool = False) -> Absence:
    return Absence(NOW - hours * HOUR, None, never=never)


def facts(*missed: Missed, reason: Reason = RAISED, severity: int = 2, headline: str = "") -> Facts:
    return Facts(Change(reason, severity), headline, missed, NOW)


def one(short: str, what: str) -> Said:
    return Said(f"W-T1: instrument GM-1 {short}", f"Instrument GM-1 {short}", what)


LATE = Missed(instrument(heard=9), away(9))
BACK = Missed(instrument(heard=1), away(21), back=True)
UNHEARD = Missed(instrument(heard=None), away(200, never=True))
"""Late by more than an interval; back after twenty hours, in which four readings were due; never heard."""


@pytest.mark.parametrize(
    ("told", "said"),
    [
        (
            facts(LATE, severity=1),
            one(
                "is late",
                "Its last post came 2026-03-01 04:00 CET, 9 h ago; one is expected every 4 h. Until it is heard "
                "again it "
                f"does not watch W-T1. {NEITHER}",
            ),
        ),
        (
            facts(Missed(instrument(heard=50), away(50))),
            one(
                "is silent",
                "Its last post came 2026-02-27 11:00 CET, 2 days 2 h ago; one is expected every 4 h. Until it is heard "
                f"again it does not watch W-T1. {NEITHER}",
            ),
        ),
        (
            facts(replace(BACK, came=4), reason=RETURNED, severity=0),
            one(
                "is heard again after 20 h",
                "It was silent for 20 h, from 2026-02-28 16:00 CET to 2026-03-01 12:00 CET. The readings of that time "
                "have come in: 4 of about 4.",
            ),
        ),
        (
            facts(replace(BACK, came=1), reason=RETURNED, severity=0),
            one(
                "is heard again after 20 h",
                "It was silent for 20 h, from 2026-02-28 16:00 CET to 2026-03-01 12:00 CET. Of about 4 readings "
                "of that "
                "time 1 have come in so far.",
            ),
        ),
        (
            facts(BACK, reason=RETURNED, severity=0),
            one(
                "is heard again after 20 h",
                "It was silent for 20 h, from 2026-02-28 16:00 CET to 2026-03-01 12:00 CET. Of the readings of that "
                "time, about 4, none has come in so far.",
            ),
        ),
        (
            facts(Missed(instrument(heard=1), away(6), back=True), reason=RETURNED, severity=0),
            one(
                "is heard again after 5 h",
                "It was silent for 5 h, from 2026-03-01 07:00 CET to 2026-03-01 12:00 CET. No reading was due in that "
                "time.",
            ),
        ),
        (
            facts(UNHEARD),
            one(
                "was never heard",
                "It has a key since 2026-02-21 05:00 CET, 8 days 8 h ago, and no post of it was ever taken; one is "
                f"expected every 4 h. It does not watch W-T1 yet. {NEITHER}",
            ),
        ),
        (
            facts(UNHEARD, reason=RETURNED, severity=0),
            one("is not waited for any more", "It was never heard, and it has no valid key any more."),
        ),
        (
            facts(Missed(instrument(heard=1), away(200, never=True)), reason=RETURNED, severity=0),
            one(
                "is heard for the first time",
                "Its first post came 2026-03-01 12:00 CET, 8 days 7 h after it was first waited for.",
            ),
        ),
    ],
)
def test_what_is_said_of_a_silent_instrument(told: Facts, said: Said) -> None:
    assert SILENT.said(told) == said


@pytest.mark.parametrize(
    ("told", "asked"),
    [
        (facts(LATE, severity=1), NextSteps("late", {"silent_at": "2026-03-01 20:15 CET"})),
        (facts(Missed(instrument(heard=50), away(50))), NextSteps("silent", {"units": "W-T1"})),
        (
            replace(facts(Missed(instrument(heard=50), away(50))), gassing=("W-T1",)),
            NextSteps("silent", {"units": "W-T1"}, gassing=True),
        ),
        (facts(UNHEARD), NextSteps("never_heard", {"unit": "W-T1"})),
        (facts(replace(BACK, came=1), reason=RETURNED, severity=0), NextSteps("back")),
        (facts(replace(BACK, came=4), reason=RETURNED, severity=0), None),
        (facts(UNHEARD, reason=RETURNED, severity=0), None),
    ],
)
def test_what_is_to_be_done_about_a_silent_instrument(told: Facts, asked: NextSteps | None) -> None:
    assert SILENT.steps(told) == asked


@pytest.mark.parametrize(
    ("heard", "severity", "absence", "line"),
    [
        (9, 1, away(9), "Late: last heard 2026-03-01 04:00 CET, expected every 4 h"),
        (50, 2, away(50), "Silent: last heard 2026-02-27 11:00 CET, expected every 4 h"),
        (50, 2, None, "Silent: last heard 2026-02-27 11:00 CET, expected every 4 h"),
        (None, 2, None, "Silent: last heard never, expected every 4 h"),
        (1, 0, away(21), "Heard again after 20 h"),
        (
            None,
            2,
            away(200, never=True),
            "Never heard: waited for since 2026-02-21 05:00 CET, expected every 4 h",
        ),
        (None, 0, away(200, never=True), "Never heard, and not waited for any more: it has no valid key"),
        (1, 0, away(200, never=True), "Heard for the first time, after 8 days 7 h"),
    ],
)
def test_its_line_in_the_list(heard: float | None, severity: int, absence: Absence | None, line: str) -> None:
    assert SILENT.headline(instrument(heard=heard), severity, absence, NOW) == line


# --- a site, the fleet ------------------------------------------------------------------------------------

SECOND = Missed(instrument(2, heard=9), away(9))
BACK_TOO = Missed(instrument(2, heard=2), away(22), back=True, came=3)
ALL_GONE = facts(LATE, SECOND)
SOME_GONE = facts(LATE, BACK_TOO, reason=Reason.EASED, severity=1)
ALL_BACK = facts(BACK, BACK_TOO, reason=RETURNED, severity=0)
MORE_LIKELY = "none of them has been heard; what they share is more likely at fault than each of them."
TOGETHER = (
    "Until they are heard again they do not watch their units; this says nothing about the units themselves, neither "
    "good nor bad. Those that join or come back are told together, not one by one."
)


@pytest.mark.parametrize(
    ("condition", "told", "line", "what"),
    [
        (
            *(SITE_SILENT, ALL_GONE, "West Weir: 2 instruments fell silent together"),
            f"Since 2026-03-01 04:00 CET {MORE_LIKELY} {TOGETHER}",
        ),
        (
            *(FLEET_SILENT, ALL_GONE, "Whole fleet: 2 instruments fell silent together"),
            f"Since 2026-03-01 03:00 UTC {MORE_LIKELY} {TOGETHER}",
        ),
        (
            *(SITE_SILENT, SOME_GONE, "West Weir: 1 of 2 instruments are heard again"),
            "Still silent: GM-1. The others had time to come back; what is left is told here and not one by one.",
        ),
        (
            *(SITE_SILENT, ALL_BACK, "West Weir: all 2 instruments are heard again"),
            "They were silent from 2026-02-28 16:00 CET on; the last of them is heard again since "
            "2026-03-01 12:00 CET. "
            "Of about 8 readings of that time 3 have come in so far.",
        ),
    ],
)
def test_what_is_said_of_instruments_that_fell_silent_together(
    condition: Together, told: Facts, line: str, what: str
) -> None:
    assert condition.said(told) == Said(line, line, what)


@pytest.mark.parametrize(
    ("condition", "told", "asked"),
    [
        (SITE_SILENT, ALL_GONE, NextSteps("site_silent", {"units": "", "has": "have"})),
        (
            *(SITE_SILENT, replace(ALL_GONE, gassing=("W-T1",))),
            NextSteps("site_silent", {"units": "W-T1", "has": "has"}, gassing=True),
        ),
        (
            *(SITE_SILENT, replace(ALL_GONE, gassing=("W-T1", "W-T2"))),
            NextSteps("site_silent", {"units": "W-T1, W-T2", "has": "have"}, gassing=True),
        ),
        (FLEET_SILENT, ALL_GONE, NextSteps("fleet_silent")),
        (SITE_SILENT, SOME_GONE, NextSteps("silent", {"units": "W-T1"})),
        (FLEET_SILENT, SOME_GONE, NextSteps("silent", {"units": "W-T1"})),
        (SITE_SILENT, replace(SOME_GONE, gassing=("W-T2",)), NextSteps("silent", {"units": "W-T1"})),
        (
            *(SITE_SILENT, replace(SOME_GONE, gassing=("W-T1",))),
            NextSteps("silent", {"units": "W-T1"}, gassing=True),
        ),
        (SITE_SILENT, ALL_BACK, NextSteps("back")),
        (SITE_SILENT, facts(replace(BACK, came=4), reason=RETURNED, severity=0), None),
    ],
)
def test_what_is_to_be_done_about_them(condition: Together, told: Facts, asked: NextSteps | None) -> None:
    assert condition.steps(told) == asked


@pytest.mark.parametrize(
    ("group", "line"),
    [
        (
            Group(frozenset({1, 2}), NOW - 9 * HOUR),
            "2 instruments fell silent together, last heard 2026-03-01 04:00 CET",
        ),
        (Group(frozenset({1}), NOW, 1), "1 of 2 still silent: GM-1"),
        (Group(frozenset({1, 2}), NOW, 0), "All 2 instruments are heard again"),
    ],
)
def test_their_line_in_the_list(group: Group, line: str) -> None:
    before = Group(frozenset({1, 2}), NOW)
    codes = [f"GM-{i}" for i in sorted(group.members)]
    assert SITE_SILENT.headline(group, before, codes, facts(LATE).zone) == line
    assert FLEET_SILENT.headline(group, before, codes, facts(LATE).zone) == line


# --- readings ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("condition", "told", "said", "asked"),
    [
        (
            DATA_QUALITY,
            facts(Missed(instrument()), severity=1, headline="H₂: spikes"),
            one(
                "gives readings in doubt",
                "H₂: spikes. This is about the instrument; alerts about W-T1 stand as they stood.",
            ),
            NextSteps("readings_disturbed", {"unit": "W-T1"}),
        ),
        (
            DATA_QUALITY,
            facts(Missed(instrument()), headline="H₂: stuck"),
            one(
                "gives readings in doubt",
                "H₂: stuck. A rise of the gas might not be seen on-line. This is about the instrument; alerts "
                "about W-T1 "
                "stand as they stood.",
            ),
            NextSteps("readings_blind", {"unit": "W-T1"}),
        ),
        (
            DATA_QUALITY,
            facts(Missed(instrument()), reason=RETURNED, severity=0),
            one("reads as it should again", "What was found about its readings is over."),
            None,
        ),
        (
            AGREEMENT,
            facts(Missed(instrument()), severity=1, headline="against the laboratory: CO +40 %"),
            one(
                "disagrees with the laboratory",
                "Against the laboratory: CO +40 %. This is about the instrument; alerts about W-T1 stand as "
                "they stood.",
            ),
            NextSteps("against_laboratory", {"unit": "W-T1"}),
        ),
        (
            AGREEMENT,
            facts(Missed(instrument()), reason=RETURNED, severity=0),
            one("agrees with the laboratory again", "Its readings are within the band again."),
            None,
        ),
    ],
)
def test_what_is_said_of_readings(
    condition: OfReadings, told: Facts, said: Said, asked: NextSteps | None
) -> None:
    assert condition.said(told) == said
    assert condition.steps(told) == asked


def test_the_lines_of_what_is_over() -> None:
    assert DATA_QUALITY.over == "Nothing is found any more"
    assert AGREEMENT.over == "Agrees with the laboratory"


def test_a_change_against_the_own_record_is_told_with_gases_and_without_a_status() -> None:
    headline = "H₂ +18 %, CH₄ +12 % since about 2026-02-03"
    told = facts(Missed(instrument(heard=1)), severity=1, headline=headline)
    assert ONLINE_CHANGE.said(told) == Said(
        "W-T1: on-line gas leaves its own record, a change",
        "W-T1: on-line gas leaves its record",
        f"{headline}. By the daily values of GM-1, against the unit's own record; what oil temperature and load explain"
        " is taken out where they are known. It raises no status: no limit need be reached for it.",
    )
    assert ONLINE_CHANGE.steps(told) == NextSteps("online_change", {"unit": "W-T1"})
    fast = facts(Missed(instrument(heard=1)), severity=2, headline=headline)
    assert ONLINE_CHANGE.said(fast).subject == "W-T1: on-line gas leaves its own record, fast"
    assert ONLINE_CHANGE.steps(fast) == NextSteps("online_change_fast", {"unit": "W-T1"})
    over = facts(Missed(instrument(heard=1)), severity=0, reason=RETURNED, headline=ONLINE_CHANGE.over)
    assert ONLINE_CHANGE.said(over) == Said(
        "W-T1: on-line gas is back to its own record",
        "W-T1: back to its own record",
        "The daily values of GM-1 are back to what its own record lets expect, or a review or other recorded act has"
        " set a new level.",
    )
    assert ONLINE_CHANGE.steps(over) is None
