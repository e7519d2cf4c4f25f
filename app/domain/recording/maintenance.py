"""Spells in which an instrument is worked on: what it sends meanwhile is kept, and not judged."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class Spell:
    """From ``begins_at`` on, up to but not including ``ends_at``; None: until somebody ends it."""

    begins_at: datetime
    ends_at: datetime | None

    def overlaps(self, other: "Spell") -> bool:
        """Whether a moment is in both."""
        ends = [at for at in (self.ends_at, other.ends_at) if at is not None]
        return not ends or max(self.begins_at, other.begins_at) < min(ends)


def in_spell(spells: Iterable[Spell], at: datetime) -> bool:
    """Whether a time falls into one of the spells."""
    return any(s.begins_at <= at and (s.ends_at is None or at < s.ends_at) for s in spells)
