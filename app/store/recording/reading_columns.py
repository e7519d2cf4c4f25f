"""Readings as columns of a row: a number a quantity, and bit masks that say what kind of number it is.

``below``: the number is a detection limit. ``unjudged``: it is kept as the instrument gave it, but the engine
does not see it; ``qualities`` says why.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import sqlalchemy as sa
from numpy.typing import NDArray

from app.domain.model import Quality, Reading
from app.science.quantities import INDEX, NAMES
from app.store.schema import samples


def pack(readings: Mapping[str, Reading]) -> dict[str, Any]:
    """A sample's readings as columns."""
    row: dict[str, Any] = dict.fromkeys(NAMES)
    below = unjudged = 0
    qualities = {}
    for name, reading in readings.items():
        row[name] = reading.number
        if reading.below is not None:
            below |= 1 << INDEX[name]
        if reading.quality is not Quality.GOOD:
            unjudged |= 1 << INDEX[name]
            qualities[name] = reading.quality.value
    row |= {"below": below, "unjudged": unjudged, "qualities": qualities or None}
    return row


def unpack(row: Mapping[str, Any]) -> dict[str, Reading]:
    """The inverse of :func:`pack`; a row without ``qualities`` has good readings only."""
    below, qualities = row["below"], row.get("qualities") or {}
    found = {}
    for i, name in enumerate(NAMES):
        number = row[name]
        if number is None:
            continue
        quality = Quality(qualities.get(name, "good"))
        if below >> i & 1:
            found[name] = Reading(name, below=number, quality=quality)
        else:
            found[name] = Reading(name, value=number, quality=quality)
    return found


def same_readings(stored: Mapping[str, Any], packed: Mapping[str, Any]) -> bool:
    """Whether two rows say the same, qualities included."""
    masks = ("below", "unjudged")
    return (
        all(stored[name] == packed[name] for name in (*masks, *NAMES))
        and (stored["qualities"] or None) == packed["qualities"]
    )


def matrix(rows: Sequence[Sequence[Any]]) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Rows of (below, unjudged, quantity columns...) as numbers and flags, both (n, quantities).

    A number is NaN where the quantity is absent or not judged; a flag says that it is a detection limit.
    """
    if not len(rows):
        return np.zeros((0, len(NAMES))), np.zeros((0, len(NAMES)), dtype=np.bool_)
    table = np.array(rows, dtype=np.float64)  # None becomes NaN
    masks = table[:, :2].astype(np.int64)
    flags = (masks[:, :, None] >> np.arange(len(NAMES))) & 1 == 1
    values = table[:, 2:]
    if masks[:, 1].any():
        values = np.where(flags[:, 1], np.nan, values)
    return values, flags[:, 0] & ~flags[:, 1]


def counting(of: sa.FromClause = samples) -> tuple[sa.ColumnElement[bool], ...]:
    """Which samples are judged: current, not excluded by a person, and not set aside when they came."""
    return (of.c.current, of.c.excluded_at.is_(None), of.c.set_aside.is_(None))


def of_kind(online: bool, of: sa.FromClause = samples) -> sa.ColumnElement[bool]:
    """Which samples are an instrument's (or a laboratory's): on PostgreSQL it leaves out the others' partitions.

    Written so that PostgreSQL reads an instrument's months in order and stops early; ``IS true`` would not do.
    """
    return of.c.online if online else sa.not_(of.c.online)
