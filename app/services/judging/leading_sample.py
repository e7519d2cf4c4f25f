"""Which sample speaks for a unit when a laboratory and an instrument both report on it."""

from collections.abc import Iterable, Sequence

from app.domain.model import SourceKind
from app.store.pages.views import NewestSample


def newest_of_each_kind(newest_samples: Iterable[NewestSample]) -> dict[SourceKind, NewestSample]:
    """The newest sample of the laboratories and of the instruments: an older laboratory is followed by a newer."""
    newest: dict[SourceKind, NewestSample] = {}
    for sample in newest_samples:
        known = newest.get(sample.source_kind)
        if known is None or sample.taken_at > known.taken_at:
            newest[sample.source_kind] = sample
    return newest


def gravity_of(sample: NewestSample) -> int:
    """Of the course with a sample; where none is told its status from 2 on. Of an on-line reading the graver of both:
    its course is told once a day, and the reading is newer."""
    status = sample.status if sample.status is not None and sample.status > 1 else 0
    if sample.gravity is None:
        return status
    return max(sample.gravity, status) if sample.source_kind is SourceKind.INSTRUMENT else sample.gravity


def leading(newest_samples: Sequence[NewestSample]) -> NewestSample | None:
    """The sample that decides a unit's place in the list: that of the graver course; of equals the worse one, then
    the one that names a fault, then the newer one.

    A hydrogen monitor that reports every four hours must not hide what the laboratory found in seven gases,
    nor the other way round (common practice, no source).
    """
    candidates = newest_of_each_kind(newest_samples).values()
    return max(
        candidates,
        key=lambda s: (gravity_of(s), s.status or 0, s.fault is not None, s.taken_at),
        default=None,
    )
