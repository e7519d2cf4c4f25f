"""``ullage key`` and ``ullage instrument``: keys and maintenance from the command line."""

from typing import Any

import pytest
from command_cast import Run


def prefix_of(issued: Any) -> str:
    assert issued.exit_code == 0, issued.stderr
    key: str = issued.stdout.strip()
    assert key.startswith("ull_")
    assert "\n" not in key
    return key.split("_")[1]


def test_keys_are_issued_rotated_listed_and_revoked(loaded: Run) -> None:
    of = ("--instrument", "W-T1-M")
    first = prefix_of(loaded("key", "issue", *of, "--label", "old gateway"))
    second = prefix_of(loaded("key", "issue", *of, "--expires", "90"))
    rotated = loaded("key", "rotate", *of, "--overlap-hours", 24, "--label", "new gateway")
    third = prefix_of(rotated)
    assert f"UTC: {first}, {second}" in rotated.stderr
    assert loaded("key", "revoke", first).stdout == f"the key {first} of W-T1-M is revoked\n"
    lines = loaded("key", "list", *of).stdout.splitlines()
    assert [line.split()[:2] for line in lines] == [[first, "revoked"], [second, "good"], [third, "good"]]
    assert "never used" in lines[0]
    assert "expires 20" in lines[1]
    assert lines[2].endswith("new gateway")


@pytest.mark.parametrize("when", ["0", "2020-01-01", "2020-01-01T00:00:00Z"])
def test_a_key_that_has_expired_already_is_refused(loaded: Run, when: str) -> None:
    refused = loaded("key", "issue", "--registrar", "--expires", when)
    assert (refused.exit_code, refused.stdout) == (1, "")
    assert "would have expired already" in refused.stderr


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("key", "issue", "--registrar", "--expires", "soon"), 2, "--expires"),
        (("key", "issue", "--registrar", "--expires", "2027-13-01"), 2, "--expires"),
        (("key", "issue", "--registrar", "--label", "a\nb"), 2, "one line"),
        (("key", "rotate", "--instrument", "W-T1-M"), 2, "--overlap-hours"),
        (("key", "rotate", "--overlap-hours", "1"), 2, "either"),
        (("key", "list", "--instrument", "NONE"), 1, "NONE"),
        (("key", "revoke", "00000000"), 1, "no key has the prefix"),
        (("instrument", "maintenance", "begin", "NONE", "--note", "n"), 1, "NONE"),
        (("instrument", "maintenance", "begin", "W-T1-M", "--note", "n", "--ends", "noon"), 2, "--ends"),
        (("instrument", "maintenance", "end", "W-T1-M"), 1, "is not in maintenance"),
        (("instrument", "maintenance", "list", "LAB"), 1, "LAB"),
    ],
)
def test_what_cannot_be_done_is_told(loaded: Run, words: tuple[str, ...], code: int, says: str) -> None:
    refused = loaded(*words)
    assert refused.exit_code == code, refused.output
    assert says in refused.stderr


def test_maintenance_is_begun_listed_and_ended(loaded: Run) -> None:
    of = ("instrument", "maintenance")
    begun = loaded(*of, "begin", "W-T1-M", "--note", "carrier gas", "--author", "R. Quist")
    assert begun.exit_code == 0, begun.stderr
    assert begun.stdout.endswith(" UTC to open  R. Quist: carrier gas\n")
    assert "is in maintenance from" in loaded(*of, "begin", "W-T1-M", "--note", "again").stderr
    ended = loaded(*of, "end", "W-T1-M")
    planned = loaded(
        *of,
        "begin",
        "W-T1-M",
        "--note",
        "p",
        "--begins",
        "2098-01-01T00:00:00Z",
        "--ends",
        "2098-01-02T00:00:00Z",
    )
    assert planned.stdout == "2098-01-01 00:00:00 UTC to 2098-01-02 00:00:00 UTC  command line: p\n"
    assert loaded(*of, "list", "W-T1-M").stdout == ended.stdout + planned.stdout
