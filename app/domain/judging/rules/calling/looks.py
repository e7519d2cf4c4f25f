"""Which samples each look at a laboratory series sees: the points of :mod:`..trend_calls`.

Every sample is a *look* at what was believed of its series when it was taken, the sample itself included.
"""

from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Final

import numpy as np

from app.domain.judging.frame import Bools, Integers, SampleFrame
from app.domain.judging.rules.change import Changes
from app.domain.judging.rules.levels import GASES

MOST_POINTS: Final = 240
"""A look sees the newest so many points at most: twenty years of months."""
_CELLS: Final = 60_000


@dataclass(frozen=True)
class Belief:
    """What holds of each row of a frame. Arrays are (n,).

    Attributes:
        takes_part: the sample has a fault or norm gas and is believed when it is taken.
        origin: row of the first sample of its baseline, as known when it is taken.
        hidden_from, hidden_to: it is not believed at the looks from the one row until the other.
    """

    takes_part: Bools
    origin: Integers
    hidden_from: Integers
    hidden_to: Integers


@dataclass(frozen=True)
class Looks:
    """Some series abreast: b series, k points.

    Attributes:
        rows: (b, k) rows of the frame; what is beyond the end of a series repeats row 0 and is not ``there``.
        there: (b, k).
        own: (b, k) the looks that are asked for here; earlier points only lend themselves to them.
        laboratory: (b, k) laboratories numbered from 0 within each series.
        use: (b, k, k) which points (last axis) each look sees.
    """

    rows: Integers
    there: Bools
    own: Bools
    laboratory: Integers
    use: Bools


def belief(frame: SampleFrame, changes: Changes) -> Belief:
    """A suspect fall hides its sample until it is confirmed, a suspect rise from when it is refuted."""
    n = len(frame)
    has = (~np.isnan(frame.values[:, :GASES])).any(axis=1)
    hidden_from, hidden_to = np.full(n, n), np.full(n, n)
    fall = changes.suspect & changes.fell.any(axis=1)
    hidden_from[fall] = np.flatnonzero(fall)
    origin = np.zeros(n, dtype=np.int64)
    origin[frame.starts()] = frame.starts()
    for row, earlier in _settled(frame, changes):
        if changes.confirmed[row] and fall[earlier]:
            hidden_to[earlier] = row
        if changes.confirmed[row] and changes.restart[row]:
            origin[row] = earlier  # the fallen sample begins the baseline, known since this one confirms it
        if changes.refuted[row]:
            hidden_from[earlier] = min(hidden_from[earlier], row)
    return Belief(has & ~fall, np.maximum.accumulate(origin), hidden_from, hidden_to)


def seen_at(frame: SampleFrame, changes: Changes, row: int) -> Integers:
    """Rows of the samples that the look at one laboratory row sees."""
    start = int(np.searchsorted(frame.series, frame.series[row]))
    own = slice(start, row + 1)
    known = Changes(*(getattr(changes, one.name)[own] for one in fields(changes)))
    believed = belief(frame.take(np.arange(start, row + 1)), known)
    last = row - start
    places = np.arange(max(int(believed.origin[last]), last + 1 - MOST_POINTS), last + 1)
    hidden = (believed.hidden_from[places] <= last) & (last < believed.hidden_to[places])
    counts = believed.takes_part[places] | (believed.hidden_to[places] <= last)
    return np.asarray(start + places[counts & ~hidden], dtype=np.int64)


def _settled(frame: SampleFrame, changes: Changes) -> list[tuple[int, int]]:
    """Pairs of rows: one that confirms or refutes, and the suspect one that it does this to."""
    settling = np.flatnonzero((changes.confirmed | changes.refuted) & ~np.isnan(changes.settled_at))
    settling = settling[~frame.online[settling]]
    first = np.searchsorted(frame.series, frame.series[settling])
    pairs = []
    for row, start in zip(settling.tolist(), first.tolist(), strict=True):
        place = int(np.searchsorted(frame.at[start:row], changes.settled_at[row], side="right"))
        if place:
            pairs.append((row, start + place - 1))
    return pairs


def looks_of(frame: SampleFrame, believed: Belief) -> Iterator[Looks]:
    """The looks of all laboratory series, in blocks of bounded memory, long series in parts."""
    starts = frame.starts()
    ends = np.r_[starts[1:], len(frame)].astype(np.int64)
    chunks = [
        (max(start, first - MOST_POINTS), first, min(first + MOST_POINTS, end))
        for start, end in zip(starts.tolist(), ends.tolist(), strict=True)
        if not frame.online[start]
        for first in range(start, end, MOST_POINTS)
    ]
    chunks.sort(key=lambda chunk: chunk[2] - chunk[0])
    block: list[tuple[int, int, int]] = []
    for chunk in chunks:
        longest = chunk[2] - chunk[0]
        if block and (len(block) + 1) * longest**2 > _CELLS:
            yield _block(frame, believed, np.array(block))
            block = []
        block.append(chunk)
    if block:
        yield _block(frame, believed, np.array(block))


def _block(frame: SampleFrame, believed: Belief, chunks: Integers) -> Looks:
    from_row, first, end = chunks.T[:, :, None]
    rows = from_row + np.arange(int((end - from_row).max()))
    there = rows < end
    rows = np.where(there, rows, 0)
    look, point = rows[:, :, None], rows[:, None, :]
    hidden = (believed.hidden_from[point] <= look) & (look < believed.hidden_to[point])
    seen = (point <= look) & (point >= believed.origin[look]) & (point > look - MOST_POINTS)
    counts = there & (believed.takes_part[rows] | (believed.hidden_to[rows] < len(frame)))
    use: Bools = seen & ~hidden & counts[:, None, :] & there[:, :, None]
    return Looks(rows, there, there & (rows >= first), _numbered(frame.laboratory[rows], there), use)


def _numbered(laboratory: Integers, there: Bools) -> Integers:
    """Numbers from 0 within each row, in the order of the numbers given."""
    shown = np.where(there, laboratory, laboratory[:, :1])
    order = np.sort(shown, axis=1)
    step = np.concatenate([np.zeros((len(order), 1), dtype=np.bool_), np.diff(order, axis=1) != 0], axis=1)
    if not step.any():
        return np.zeros(shown.shape, dtype=np.int64)
    place = np.array([np.searchsorted(o, s) for o, s in zip(order, shown, strict=True)])
    return np.asarray(np.take_along_axis(step.cumsum(axis=1), place, axis=1), dtype=np.int64)
