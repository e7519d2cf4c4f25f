"""Which sample speaks for a unit when a laboratory and an instrument both report on it."""

from collections.abc import Iterable, Sequence

from app.domain.model import SourceKind
from app.store.pages.views import Standing


def newest_of_each_kind(standings: Iterable[Standing]) -> dict[SourceKind, Standing]:
    """The newest sample of the laboratories and of the instruments: an older laboratory is followed by a newer."""
    newest: dict[SourceKind, Standing] = {}
    for standing in standings:
        known = newest.get(standing.source_kind)
        if known is None or standing.taken_at > known.taken_at:
            newest[standing.source_kind] = standing
    return newest


def leading(standings: Sequence[Standing]) -> Standing | None:
    """The sample that decides a unit's place in the list: the worse one; of equals the one that names a fault,
    then the newer one.

    A hydrogen monitor that reports every four hours must not hide what the laboratory found in seven gases,
    nor the other way round (common practice, no source).
    """
    candidates = newest_of_each_kind(standings).values()
    return max(candidates, key=lambda s: (s.status or 0, s.fault is not None, s.taken_at), default=None)
