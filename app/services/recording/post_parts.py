"""A post taken apart: the rows of each compartment, each time once, and what is refused at once."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from app.domain.recording.columns import SampleColumns
from app.services.recording.outcomes import Outcome
from app.store.recording.online_rows import FileOrigin
from app.store.registering import source_lookup


@dataclass(frozen=True, slots=True)
class Post:
    """What one instrument posted, and when it came."""

    source: source_lookup.StoredSource
    columns: SampleColumns
    received_at: datetime
    origin: FileOrigin | None = None
    """Where the rows stand, when they come from a file."""


@dataclass
class Part:
    """The rows of one post that concern one compartment."""

    post: int
    source: source_lookup.StoredSource
    compartment_id: int
    columns: SampleColumns
    rows: list[int]
    received_at: datetime
    origin: FileOrigin | None
    outcomes: dict[int, Outcome | None] = field(default_factory=dict)

    @property
    def key(self) -> tuple[int, int]:
        """Ids of the compartment and the instrument."""
        return self.compartment_id, self.source.id

    def times(self) -> list[datetime]:
        return [self.columns.taken_at[row] for row in self.rows]


def refused(columns: SampleColumns) -> list[Outcome | None]:
    """An outcome for each sample that could not be taken, None for the others; in the order of the post."""
    found: list[Outcome | None] = [None] * columns.size
    for one in columns.rejections:
        assert one.index is not None
        found[one.index] = Outcome("rejected", field=one.field, reason=one.reason)
    return found


def parts_of(place: int, post: Post) -> list[Part]:
    """The post by compartments; ``place``: which of the posts it is."""
    by_name: dict[str, list[int]] = defaultdict(list)
    for row, name in enumerate(post.columns.compartment):
        by_name[name].append(row)
    return [
        Part(
            place,
            post.source,
            post.source.compartments[name],
            post.columns,
            rows,
            post.received_at,
            post.origin,
        )
        for name, rows in by_name.items()
    ]


def taken_in(
    parts: Sequence[Part], begins: datetime | None, outcomes: list[list[Outcome | None]]
) -> list[Part]:
    """What is left without readings of a time whose raw readings have ended: one of them that comes late would
    take the place of a whole day's summary."""
    if begins is None:
        return list(parts)
    reason = f"lies before {begins:%Y-%m-%d} UTC: raw readings of that time have passed retention, none is taken in"
    for part in parts:
        for row in part.rows:
            if part.columns.taken_at[row] < begins:
                place = part.columns.place[row]
                outcomes[part.post][place] = Outcome("rejected", None, f"samples[{place}].taken_at", reason)
    left = [[row for row in part.rows if part.columns.taken_at[row] >= begins] for part in parts]
    return [replace(part, rows=rows) for part, rows in zip(parts, left, strict=True) if rows]


def first_of_each_time(part: Part) -> tuple[list[int], list[int]]:
    """The rows whose time comes for the first time, and those whose time came before in the same post."""
    seen: set[datetime] = set()
    first: list[int] = []
    again: list[int] = []
    for row in part.rows:
        at = part.columns.taken_at[row]
        (again if at in seen else first).append(row)
        seen.add(at)
    return first, again
