"""A fall that nobody explained: presumed degassing (ours), over whole courses, with its harmless twins."""

import numpy as np
from engine_cast import QUIET, judge, last

from app.domain.judging.engine import Judgement
from app.domain.judging.report import ReportOptions, report
from app.science.quantities import NORM_GASES

HIGH = QUIET | {"h2": 150.0, "ch4": 200.0, "c2h6": 120.0, "c2h4": 180.0, "co": 700.0, "co2": 6000.0}
LOW = QUIET | {"h2": 6.0, "ch4": 8.0, "c2h6": 5.0, "c2h4": 8.0, "co": 60.0, "co2": 600.0}
BRIEF = ReportOptions(detailed=False)
C2H4 = NORM_GASES.index("c2h4")


def treated() -> Judgement:
    """Three years high, treated without a record, and gassing again."""
    high = [(180.0 * i, HIGH | {"c2h4": 180.0 + i}) for i in range(5)]
    low = [(780.0 + 60.0 * i, LOW | {"c2h4": 8.0 + 3.0 * i}) for i in range(6)]
    return judge([*high, *low], age=20.0)


def test_a_fall_of_all_gases_that_is_confirmed_begins_a_presumed_baseline() -> None:
    changes = treated().changes
    assert changes.suspect.tolist()[:7] == [False] * 5 + [True, False]
    assert np.flatnonzero(changes.restart).tolist() == [6]
    assert not changes.dropped.any()
    assert not changes.refuted.any()


def test_what_was_before_leaves_deltas_and_rates() -> None:
    changes = treated().changes
    assert changes.delta[6, C2H4] == 3.0, "against the first low sample"
    assert changes.rate_points[8:, C2H4].tolist() == [4, 5, 6]
    assert changes.rate[-1, C2H4] > 15.0, "it gasses again, which the high years would have hidden"
    assert changes.rate_exceeds[-1, C2H4]


def test_new_gas_is_counted_from_the_presumed_baseline() -> None:
    since = treated().increments.since_baseline.gained[-1, C2H4]
    assert since == 12.0


def test_it_asks_whether_the_oil_was_treated() -> None:
    judgement = treated()
    found = report(judgement, 6, BRIEF)
    assert [f.text for f in found.findings if f.rule == "restart"] == [
        "All gases fell and stayed low, and no work on the oil is on record: was the oil treated? From here on the "
        "record is judged as a new baseline."
    ]
    assert not found.suspect
    assert not found.doubtful
    assert not any(f.rule == "refuted" for j in range(11) for f in report(judgement, j, BRIEF).findings)


def test_the_high_sample_right_before_the_fall_is_not_refuted() -> None:
    """It was suspect, the oil was treated before its confirmation: the low sample says nothing of it."""
    base = QUIET | {"h2": 60.0, "ch4": 60.0, "c2h6": 60.0, "c2h4": 40.0}
    judgement = judge(
        [(0.0, base), (180.0, base), (360.0, HIGH), (400.0, LOW), (430.0, LOW | {"h2": 7.0})], age=20.0
    )
    changes = judgement.changes
    assert changes.suspect.tolist() == [False, False, True, True, False]
    assert changes.restart.tolist() == [False] * 4 + [True]
    assert not changes.dropped.any()
    assert not changes.refuted.any()


def test_a_high_sample_between_two_of_the_same_level_is_refuted_as_ever() -> None:
    base = QUIET | {"h2": 60.0, "ch4": 60.0, "c2h6": 60.0, "c2h4": 40.0}
    changes = judge([(0.0, base), (180.0, base), (360.0, HIGH), (400.0, base)], age=20.0).changes
    assert changes.dropped.tolist() == [False, False, True, False]


def test_a_fall_that_the_next_sample_does_not_show_restarts_nothing() -> None:
    changes = judge(
        [(0.0, HIGH), (180.0, HIGH), (360.0, LOW), (380.0, HIGH), (560.0, HIGH)], age=20.0
    ).changes
    assert not changes.restart.any()
    assert changes.dropped.tolist() == [False, False, True, False, False]


def test_hydrogen_alone_lost_twice_restarts_nothing() -> None:
    leak = HIGH | {"h2": 30.0}
    changes = judge(
        [(0.0, HIGH), (180.0, HIGH), (360.0, leak), (390.0, leak | {"co": 701.0})], age=20.0
    ).changes
    assert changes.confirmed[-1]
    assert not changes.restart.any()


def test_gases_that_are_not_found_any_more_fell() -> None:
    gone: dict[str, float | str] = dict.fromkeys(("ch4", "c2h6", "c2h4", "c2h2"), "<1")
    gone |= {"h2": "<5", "co": 30.0, "co2": 300.0, "o2": 1000.0, "n2": 50_000.0}
    high: dict[str, float | str] = dict(HIGH)
    again: dict[str, float | str] = gone | {"co": 33.0}
    changes = judge([(0.0, high), (180.0, high), (360.0, gone), (380.0, again)], age=20.0).changes
    assert changes.restart.tolist() == [False, False, False, True]


def test_a_copied_report_confirms_nothing() -> None:
    risen = QUIET | {"c2h4": 60.0}
    changes = judge(
        [(0.0, QUIET), (180.0, risen), (200.0, risen), (220.0, risen | {"c2h4": 61.0})], age=20.0
    ).changes
    assert changes.confirmed.tolist() == [False, False, False, True]
    assert changes.waiting.tolist() == [False, False, True, False]
    copied = last([(0.0, QUIET), (180.0, risen), (200.0, risen)], age=20.0)
    assert copied.doubtful
    assert not any(f.rule == "confirmed" for f in copied.findings)
