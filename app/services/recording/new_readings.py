"""Which posted readings are new: identity, revisions, and what is known already."""

from collections.abc import Mapping, Sequence
from datetime import datetime

import numpy as np

from app.domain.judging.frame import Bools
from app.domain.model import SetAside
from app.domain.recording.columns import SampleColumns
from app.domain.recording.maintenance import Spell, in_spell
from app.science.quantities import INDEX, NAMES
from app.services.recording.outcomes import Result
from app.store.recording.online_rows import NewReadings, StoredRows


class Fresh:
    """Rows of a post that are not stored yet, each time once.

    A repeat with the same readings is known already. Other readings at a known time make a new revision: what the
    post gives goes before what is stored, and what it does not give stays, since an instrument may send its gases
    and its moisture one after the other.
    """

    def __init__(self, columns: SampleColumns, stored: StoredRows) -> None:
        self._columns = columns
        self._stored = stored
        self._by_time: dict[datetime, list[int]] = {}
        for i, at in enumerate(stored.taken_at):
            self._by_time.setdefault(at, []).append(i)
        self.rows: list[int] = []
        self.results: list[Result] = []
        self.replaced: list[int | None] = []
        """Of each row, the place among the stored ones of the revision that it replaces."""
        self._revision: list[int] = []

    def take(self, row: int) -> int | None:
        """Look at a row; the id of the sample when it is known already, else None."""
        there = self._by_time.get(self._columns.taken_at[row], ())
        current = next((i for i in there if self._stored.current[i]), None)
        if current is not None and self._says_nothing_new(row, current):
            return self._stored.ids[current]
        self.rows.append(row)
        self.results.append("stored" if current is None else "revised")
        self.replaced.append(current)
        self._revision.append(1 + max((self._stored.revision[i] for i in there), default=0))
        return None

    def repeats(self, row: int, stored: int) -> bool:
        """Whether a row says nothing that some stored revision (a place among the stored ones) does not say."""
        return self._says_nothing_new(row, stored)

    def older(self, row: int) -> list[int]:
        """Places of all stored revisions of a row's time that are not current."""
        there = self._by_time.get(self._columns.taken_at[row], ())
        return [i for i in there if not self._stored.current[i]]

    def id_of(self, place: int) -> int:
        """The id of a stored revision."""
        return self._stored.ids[place]

    def current_id(self, row: int) -> int:
        """The id of the revision that counts at a row's time."""
        place = self.replaced[self.rows.index(row)]
        assert place is not None
        return self._stored.ids[place]

    def drop(self, row: int) -> None:
        """Take a row back: it is known after all."""
        at = self.rows.index(row)
        for one in (self.rows, self.results, self.replaced, self._revision):
            del one[at]

    def _says_nothing_new(self, row: int, stored: int) -> bool:
        given = ~np.isnan(self._columns.values[row])
        same = self._columns.values[row, given] == self._stored.numbers[stored, given]
        limits = self._columns.below[row, given] == self._stored.below[stored, given]
        if not (same.all() and limits.all()):
            return False
        had = self._stored.qualities[stored] or {}
        now = self._columns.qualities[row] or {}
        return all(had.get(NAMES[q], "good") == now.get(NAMES[q], "good") for q in np.flatnonzero(given))

    def readings(self, ids: Sequence[int], spells: Sequence[Spell]) -> NewReadings:
        """The rows to store; how they stand is not known yet."""
        numbers, below = self._columns.values[self.rows], self._columns.below[self.rows]
        qualities = [_plain(self._columns.qualities[row]) for row in self.rows]
        for i, old in enumerate(self.replaced):
            if old is not None:
                absent = np.isnan(numbers[i])
                numbers[i] = np.where(absent, self._stored.numbers[old], numbers[i])
                below[i] = np.where(absent, self._stored.below[old], below[i])
                kept = self._stored.qualities[old] or {}
                qualities[i] |= {name: q for name, q in kept.items() if absent[INDEX[name]]}
        taken_at = [self._columns.taken_at[row] for row in self.rows]
        return NewReadings(
            ids=ids,
            taken_at=taken_at,
            revision=self._revision,
            set_aside=[
                self._columns.set_aside[row] or (SetAside.MAINTENANCE if in_spell(spells, at) else None)
                for row, at in zip(self.rows, taken_at, strict=True)
            ],
            numbers=numbers,
            below=below,
            unjudged=_unjudged(qualities),
            qualities=[found or None for found in qualities],
            verdicts=[None] * len(self.rows),
            current=[True] * len(self.rows),
        )


def _plain(qualities: Mapping[str, str] | None) -> dict[str, str]:
    return {name: str(quality) for name, quality in (qualities or {}).items()}


def _unjudged(qualities: Sequence[Mapping[str, str]]) -> Bools:
    found = np.zeros((len(qualities), len(NAMES)), dtype=np.bool_)
    for i, bad in enumerate(qualities):
        for name in bad:
            found[i, INDEX[name]] = True
    return found
