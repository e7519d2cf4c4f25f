"""Several keys of an instrument on both databases: issued, rotated with overlap, expired, revoked, listed."""

from datetime import datetime, timedelta

import pytest
from fleet_cast import NOW

from app.services.registering.authenticate import authenticate
from app.services.registering.keys import (
    KeyRefusedError,
    KeyWish,
    UnknownReferenceError,
    issue_key,
    list_keys,
    revoke_key,
    rotate_keys,
)
from app.store.database import Database

DAY = timedelta(days=1)
MONITOR = "W-T1-M"


def lets_in(database: Database, key: str, at: datetime) -> bool:
    return authenticate(database, key, at) is not None


def test_several_keys_are_good_at_once_and_are_listed(fleet_database: Database) -> None:
    first = issue_key(fleet_database, MONITOR, NOW, KeyWish("gateway")).key
    second = issue_key(fleet_database, MONITOR, NOW + DAY, KeyWish("spare", NOW + 9 * DAY)).key
    issue_key(fleet_database, "W-T2-M", NOW)
    assert lets_in(fleet_database, first, NOW + 2 * DAY)
    assert lets_in(fleet_database, second, NOW + 2 * DAY)
    assert not lets_in(fleet_database, second, NOW + 9 * DAY)
    told = list_keys(fleet_database, MONITOR)
    assert [key.prefix for key in told] == [key.split("_")[1] for key in (first, second)]
    assert [(key.label, key.last_used_at, key.expires_at) for key in told] == [
        ("gateway", NOW + 2 * DAY, None),
        ("spare", NOW + 2 * DAY, NOW + 9 * DAY),
    ]
    assert [key.state(NOW + 9 * DAY) for key in told] == ["good", "expired"]


def test_a_key_leads_to_all_that_a_post_needs(fleet_database: Database) -> None:
    holder = authenticate(fleet_database, issue_key(fleet_database, MONITOR, NOW).key, NOW)
    assert holder is not None
    assert holder.source is not None
    assert holder.source.source.code == MONITOR
    assert (
        set(holder.source.compartments) == set(holder.source.source.compartments) == {"main", "tap changer"}
    )


def test_rotation_leaves_the_older_keys_for_the_overlap(fleet_database: Database) -> None:
    old = issue_key(fleet_database, MONITOR, NOW).key
    short = issue_key(fleet_database, MONITOR, NOW, KeyWish(expires_at=NOW + DAY / 2)).key
    revoked = issue_key(fleet_database, MONITOR, NOW).key
    revoke_key(fleet_database, revoked.split("_")[1], NOW)
    stranger = issue_key(fleet_database, "W-T2-M", NOW).key
    new = rotate_keys(fleet_database, MONITOR, NOW, DAY, KeyWish("next"))
    assert (new.ending, new.they_end_at) == ((old.split("_")[1],), NOW + DAY)
    just_before = NOW + DAY - timedelta(seconds=1)
    assert [
        lets_in(fleet_database, key, just_before) for key in (old, short, revoked, stranger, new.key)
    ] == [
        True,
        False,
        False,
        True,
        True,
    ]
    assert [lets_in(fleet_database, key, NOW + DAY) for key in (old, stranger, new.key)] == [
        False,
        True,
        True,
    ]


def test_a_second_rotation_does_not_prolong_the_first(fleet_database: Database) -> None:
    old = issue_key(fleet_database, MONITOR, NOW).key
    middle = rotate_keys(fleet_database, MONITOR, NOW, DAY).key
    newest = rotate_keys(fleet_database, MONITOR, NOW, 7 * DAY)
    assert newest.ending == (middle.split("_")[1],)
    assert not lets_in(fleet_database, old, NOW + DAY)
    assert lets_in(fleet_database, middle, NOW + DAY)


def test_without_overlap_the_older_key_ends_at_once(fleet_database: Database) -> None:
    old = issue_key(fleet_database, MONITOR, NOW).key
    rotate_keys(fleet_database, MONITOR, NOW, timedelta(0))
    assert not lets_in(fleet_database, old, NOW)


def test_a_revoked_key_is_refused_at_once_and_stays_listed(fleet_database: Database) -> None:
    key = issue_key(fleet_database, MONITOR, NOW).key
    assert lets_in(fleet_database, key, NOW)
    other = Database(fleet_database.url.render_as_string(hide_password=False))  # as another process would
    try:
        revoke_key(other, key.split("_")[1], NOW + DAY)
        assert not lets_in(fleet_database, key, NOW)
        again = revoke_key(other, key.split("_")[1], NOW + 2 * DAY)
    finally:
        other.dispose()
    assert again.revoked_at == NOW + DAY
    assert [k.state(NOW) for k in list_keys(fleet_database, MONITOR)] == ["revoked"]


def test_registrars_keys_are_rotated_by_themselves(fleet_database: Database) -> None:
    monitor = issue_key(fleet_database, MONITOR, NOW).key
    old = issue_key(fleet_database, None, NOW).key
    new = rotate_keys(fleet_database, None, NOW, timedelta(0))
    assert [lets_in(fleet_database, key, NOW) for key in (monitor, old, new.key)] == [True, False, True]
    assert [key.source_code for key in list_keys(fleet_database, None)] == [None, None]


def test_what_cannot_be_is_refused(fleet_database: Database) -> None:
    with pytest.raises(KeyRefusedError, match="would have expired already"):
        issue_key(fleet_database, MONITOR, NOW, KeyWish(expires_at=NOW))
    with pytest.raises(KeyRefusedError, match="no key has the prefix '00000000'"):
        revoke_key(fleet_database, "00000000", NOW)
    key = issue_key(fleet_database, "W-T2-M", NOW).key
    with pytest.raises(KeyRefusedError, match=f"no key of {MONITOR} has the prefix"):
        revoke_key(fleet_database, key.split("_")[1], NOW, MONITOR)
    assert lets_in(fleet_database, key, NOW)
    for code in ("NONE", "LAB"):
        with pytest.raises(UnknownReferenceError):
            issue_key(fleet_database, code, NOW)
        with pytest.raises(UnknownReferenceError):
            rotate_keys(fleet_database, code, NOW, DAY)
        with pytest.raises(UnknownReferenceError):
            list_keys(fleet_database, code)
