"""What an answer means, and how long the sender waits after it."""

from datetime import UTC, datetime
from typing import Any

import httpx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.sender.answers import Answer, Later, Outcome, Taken, Unfit, read_answer, retry_after
from app.sender.pacing import Pacing

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
STORED, REJECTED = (
    {"result": "stored", "sample_id": 1},
    {"result": "rejected", "field": "samples[1].h2", "reason": "no"},
)


def read(status: int, content: Any = None, headers: dict[str, str] | None = None) -> Answer:
    """Of a batch of two."""
    return read_answer(httpx.Response(status, json=content, headers=headers), 2, NOW)


def test_one_outcome_for_each_sample() -> None:
    assert read(200, {"outcomes": [STORED, REJECTED]}) == Taken(
        (Outcome("stored"), Outcome("rejected", "h2", "no"))
    )


@pytest.mark.parametrize(
    "content",
    [
        None,
        [],
        {},
        {"outcomes": None},
        {"outcomes": [STORED]},
        {"outcomes": [STORED] * 3},
        {"outcomes": [STORED, 1]},
        {"outcomes": [STORED, {"result": 1}]},
    ],
)
def test_an_answer_without_an_outcome_for_each_delivers_nothing(content: Any) -> None:
    answer = read(200, content)
    assert isinstance(answer, Later)
    assert answer.refused
    assert "holds no outcomes" in answer.reason


def test_a_page_that_answers_200_delivers_nothing() -> None:
    """A network's log-in page stands between a gateway and its server more often than one would think."""
    page = httpx.Response(200, text="<html>Welcome, please sign in</html>")
    assert isinstance(read_answer(page, 1, NOW), Later)


@pytest.mark.parametrize("status", [408, 425, 429, 500, 502, 503, 504, 599])
def test_a_busy_or_failing_server_is_asked_again(status: int) -> None:
    answer = read(status, {"detail": "too much"}, {"Retry-After": "7"})
    assert answer == Later(f"the server answers {status}: too much", 7.0)


@pytest.mark.parametrize("status", [301, 302, 401, 403, 404, 405, 415, 426])
def test_a_wrong_key_or_address_blames_no_sample(status: int) -> None:
    answer = read(status, {"detail": "The key is not known."})
    assert answer == Later(f"the server answers {status}: The key is not known.", refused=True)


@pytest.mark.parametrize(("status", "too_large"), [(400, False), (413, True), (422, False)])
def test_a_whole_body_that_is_refused_may_be_one_samples_fault(status: int, too_large: bool) -> None:
    answer = read(status, {"detail": "body: not JSON", "errors": [{"field": "body", "reason": "not JSON"}]})
    assert answer == Unfit(f"the server answers {status}: body: not JSON", too_large)


def test_when_all_samples_are_rejected_each_is_named_and_none_need_be_looked_for() -> None:
    errors = [
        {"field": "samples[0].h2", "reason": "negative"},
        {"field": "samples[1]", "reason": "no quantity"},
    ]
    assert read(422, {"detail": "None", "errors": errors}) == Taken(
        (Outcome("rejected", "h2", "negative"), Outcome("rejected", "", "no quantity"))
    )


@pytest.mark.parametrize(
    "errors",
    [
        [{"field": "samples[0].h2", "reason": "x"}],
        [{"field": "samples[1]", "reason": "x"}, {"field": "samples[0]", "reason": "x"}],
        [{"field": "samples[0]", "reason": "x"}, {"field": "samples[10]", "reason": "x"}],
        [{"field": "samples", "reason": "x"}] * 2,
    ],
)
def test_errors_that_do_not_name_each_sample_are_of_the_whole(errors: list[dict[str, str]]) -> None:
    assert isinstance(read(422, {"detail": "?", "errors": errors}), Unfit)


@pytest.mark.parametrize(
    ("header", "seconds"),
    [
        ("3", 3.0),
        ("Wed, 25 Nov 2026 09:00:20 GMT", 20.0),
        ("Wed, 25 Nov 2026 08:00:00 GMT", 0.0),
        ("99999999", 3600.0),
        ("Thu, 25 Nov 2027 09:00:20 GMT", 3600.0),
        ("soon", None),
        ("", None),
        ("-4", None),
    ],
)
def test_retry_after_is_seconds_or_a_date_and_at_most_an_hour(header: str, seconds: float | None) -> None:
    """RFC 9110, 10.2.3; the hour is ours."""
    assert retry_after(httpx.Response(429, headers={"Retry-After": header}), NOW) == seconds


@settings(deadline=None)
@given(st.integers(0, 599).filter(lambda s: s >= 100), st.binary(max_size=200), st.integers(1, 3))
def test_no_answer_is_a_crash_and_nothing_counts_unless_it_says_so(
    status: int, body: bytes, count: int
) -> None:
    answer = read_answer(httpx.Response(status, content=body), count, NOW)
    assert not isinstance(answer, Taken)


# --- waiting -----------------------------------------------------------------------------------------------


def lowest(low: float, _high: float) -> float:
    return low


def highest(_low: float, high: float) -> float:
    return high


def test_the_bound_doubles_up_to_the_longest_and_the_jitter_is_full() -> None:
    """Exponential backoff with full jitter: anything between nothing and min(longest, first * 2^n)."""
    pacing, why = Pacing(first=1.0, longest=60.0), Later("gone")
    assert [pacing.wait(why, n, highest) for n in range(1, 9)] == [1, 2, 4, 8, 16, 32, 60, 60]
    assert [pacing.wait(why, n, lowest) for n in range(1, 9)] == [0.0] * 8
    assert pacing.wait(why, 10**9, highest) == 60.0


def test_what_the_server_asks_for_is_waited_at_least() -> None:
    pacing, why = Pacing(first=1.0, longest=60.0), Later("busy", retry_after=120.0)
    assert pacing.wait(why, 1, lowest) == 120.0
    assert pacing.wait(why, 9, highest) == 121.0


def test_where_a_person_must_act_the_waits_are_long_from_the_beginning() -> None:
    pacing, why = Pacing(first=1.0, longest=60.0), Later("key", refused=True)
    assert (pacing.wait(why, 1, lowest), pacing.wait(why, 1, highest)) == (30.0, 60.0)
