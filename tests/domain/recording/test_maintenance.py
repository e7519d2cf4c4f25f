"""Spells of maintenance: which times are in them, and which overlap."""

from datetime import UTC, datetime, timedelta

import pytest

from app.domain.recording.maintenance import Spell, in_spell

T = datetime(2026, 3, 1, 12, tzinfo=UTC)


def spell(begins: float, ends: float | None) -> Spell:
    return Spell(T + timedelta(hours=begins), None if ends is None else T + timedelta(hours=ends))


@pytest.mark.parametrize(
    ("hours", "inside"),
    [(-0.01, False), (0, True), (1.99, True), (2, False), (5, False), (9, True), (99, True)],
)
def test_a_spell_has_its_begin_and_not_its_end(hours: float, inside: bool) -> None:
    assert in_spell([spell(0, 2), spell(5, 5), spell(9, None)], T + timedelta(hours=hours)) is inside


def test_without_spells_no_time_is_in_one() -> None:
    assert not in_spell([], T)


@pytest.mark.parametrize(
    ("one", "other", "together"),
    [
        ((0, 2), (1, 3), True),
        ((0, 2), (2, 3), False),
        ((0, None), (5, 6), True),
        ((0, None), (5, None), True),
        ((0, 4), (1, 2), True),
        ((0, 4), (4, None), False),
        ((1, 1), (0, 4), False),
    ],
)
def test_spells_overlap_when_a_moment_is_in_both(
    one: tuple[float, float | None], other: tuple[float, float | None], together: bool
) -> None:
    assert spell(*one).overlaps(spell(*other)) is together
    assert spell(*other).overlaps(spell(*one)) is together
