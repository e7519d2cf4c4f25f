"""An instrument that has a key and never posts: told once, until it posts or is not waited for any more."""

import runpy
from collections.abc import Callable
from pathlib import Path

import pytest

from app.services.registering.keys import issue_key, revoke_key
from app.store.database import Database

STAGE = runpy.run_path(str(Path(__file__).with_name("test_check_silence.py")))
T0, HOUR, MINUTE = STAGE["T0"], STAGE["HOUR"], STAGE["MINUTE"]
hear: Callable[..., None] = STAGE["hear"]
check: Callable[..., int] = STAGE["check"]
mails: Callable[..., list[str]] = STAGE["mails"]
newest_text: Callable[[Database], str] = STAGE["newest_text"]
of_subjects: Callable[[Database], dict[str, tuple[str, int]]] = STAGE["of_subjects"]
WEEK = 168 * HOUR
RAISED = "W-T1: instrument W-T1-M was never heard (raised)"


@pytest.fixture
def awaited(fleet_database: Database) -> Database:
    """An instrument whose key was issued at T0, and once more a day later; it has not posted a month after."""
    check(fleet_database, T0)
    for day in (0, 1):
        issue_key(fleet_database, "W-T1-M", T0 + day * 24 * HOUR)
    assert check(fleet_database, T0 + WEEK) == 0
    for after in (WEEK + MINUTE, WEEK + 2 * MINUTE, 4 * WEEK):
        check(fleet_database, T0 + after)
    return fleet_database


def test_it_is_told_once_with_what_to_look_for(awaited: Database) -> None:
    assert of_subjects(awaited) == {"W-T1-M": ("unacknowledged", 2)}
    assert mails(awaited) == [RAISED]
    text = newest_text(awaited)
    assert "It has a key since 2026-03-01 01:00 CET, 7 days ago, and no post of it was ever taken" in text
    assert "one is expected every 4 h" in text
    assert "Last heard never" in text
    assert "a wrong or mistyped key is answered 401" in text
    assert "watched by its laboratory samples only" in text
    assert "nobody opens live equipment" in text


def test_its_first_post_ends_it(awaited: Database) -> None:
    at = T0 + 4 * WEEK + HOUR
    hear(awaited, at, "W-T1-M")
    check(awaited, at + MINUTE)
    assert of_subjects(awaited) == {"W-T1-M": ("returned", 0)}
    assert mails(awaited) == [RAISED, "W-T1: instrument W-T1-M is heard for the first time (back to normal)"]
    assert "Its first post came 2026-03-29 03:00 CEST, 28 days 1 h after" in newest_text(awaited)
    check(awaited, at + 17 * HOUR)
    assert mails(awaited)[-1] == "W-T1: instrument W-T1-M is silent (raised)"


def test_without_a_valid_key_it_is_not_waited_for(awaited: Database) -> None:
    with awaited.read() as connection:
        prefixes = connection.exec_driver_sql("SELECT prefix FROM api_keys ORDER BY id").scalars().all()
    at = T0 + 4 * WEEK
    revoke_key(awaited, prefixes[0], at)
    assert check(awaited, at + HOUR) == 0
    revoke_key(awaited, prefixes[1], at)
    assert check(awaited, at + 2 * HOUR) == 1
    assert of_subjects(awaited) == {"W-T1-M": ("returned", 0)}
    assert mails(awaited)[1:] == ["W-T1: instrument W-T1-M is not waited for any more (back to normal)"]
    issue_key(awaited, "W-T1-M", at + 3 * HOUR)
    assert check(awaited, at + 3 * HOUR + WEEK) == 0
    assert check(awaited, at + 4 * HOUR + WEEK) == 1
    assert "instrument W-T1-M was never heard" in mails(awaited)[-1]
