"""Many posted samples with the same keys in the same order, a column at a time."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import chain
from typing import Any, Final

import numpy as np

from app.domain.judging.frame import Bools, Floats
from app.intake.iso_time import iso_time
from app.intake.recording.quantity_keys import KEYS
from app.intake.recording.sample_reader import HIGHEST, LOWEST, SampleReader, limit_of
from app.intake.validate import ImpossibleError

_PLAIN_TIME: Final = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,6})?Z", re.ASCII).fullmatch
_NO_TIME: Final = datetime.min.replace(tzinfo=UTC)


@dataclass(frozen=True)
class Block:
    """n samples of k quantities; what stands in a row that is ``odd`` means nothing.

    Attributes:
        columns: (k,) the quantities, as places in ``NAMES``.
        values: (n, k); NaN where not measured, the limit where censored.
        below: (n, k).
        taken_at: (n,) UTC.
        compartment: (n,) names.
        odd: (n,) samples that are to be looked at by themselves.
    """

    columns: list[int]
    values: Floats
    below: Bools
    taken_at: Sequence[datetime]
    compartment: Sequence[str]
    odd: Bools


def blocks_of(items: Sequence[Any], few: int) -> tuple[list[list[int]], list[int]]:
    """The places of samples with the same keys in the same order, for each block of at least ``few``, and those
    of the others."""
    places: dict[tuple[str, ...], list[int]] = {}
    alone: list[int] = []
    for i, item in enumerate(items):
        if type(item) is dict:
            places.setdefault(tuple(item), []).append(i)
        else:
            alone.append(i)
    blocks = []
    for group in places.values():
        if len(group) >= few:
            blocks.append(group)
        else:
            alone += group
    return blocks, alone


def read_block(reader: SampleReader, items: Sequence[dict[str, Any]]) -> Block | None:
    """Samples with the same keys in the same order; None when their keys alone need a second look."""
    keys = tuple(items[0])
    quantities = [KEYS.get(key) for key in keys if key not in {"taken_at", "compartment"}]
    columns = [column for column in quantities if column is not None]
    if "taken_at" not in keys or not columns or len(set(columns)) < len(quantities):
        return None
    flat = list(chain.from_iterable(item.values() for item in items))
    odd = np.zeros(len(items), dtype=np.bool_)
    values = np.empty((len(items), len(columns)))
    below = np.zeros(values.shape, dtype=np.bool_)
    compartment: Sequence[str] | None = None
    taken_at: Sequence[datetime] = ()
    at = 0
    for k, key in enumerate(keys):
        given = flat[k :: len(keys)]
        if key == "taken_at":
            taken_at = _times(given, reader, odd)
        elif key == "compartment":
            compartment = _names(given, reader, odd)
        else:
            values[:, at] = _numbers(columns[at], given, below[:, at], odd)
            at += 1
    if compartment is None:
        if reader.only_compartment is None:
            return None
        compartment = [reader.only_compartment] * len(items)
    odd |= np.isnan(values).all(axis=1)
    return Block(columns, values, below, taken_at, compartment, odd)


def _times(given: Sequence[Any], reader: SampleReader, odd: Bools) -> Sequence[datetime]:
    read = datetime.fromisoformat
    try:
        found = [read(text) if _PLAIN_TIME(text) else iso_time(text) for text in given]
    except (ImpossibleError, ValueError, TypeError):  # a text that is no time, a time that is none, no text
        odd[:] = True
        return [_NO_TIME] * len(given)
    earliest, latest = reader.undoubted
    if min(found) < earliest or max(found) > latest:
        odd |= [not earliest <= at <= latest for at in found]
    return found


def _names(given: Sequence[Any], reader: SampleReader, odd: Bools) -> Sequence[str]:
    served = reader.served
    odd |= [not (isinstance(name, str) and name in served) for name in given]
    return given


def _numbers(column: int, given: Sequence[Any], below: Bools, odd: Bools) -> Floats:
    lowest, highest = LOWEST[column], HIGHEST[column]
    absent: Bools | bool = False
    if not set(map(type, given)) <= {float, int}:
        given, absent = _mixed(column, given, below, odd)
    try:
        numbers = np.array(given, dtype=np.float64)
    except OverflowError:  # a whole number of hundreds of digits
        odd[:] = True
        return np.full(len(given), np.nan)
    odd |= ~((numbers >= lowest) & (numbers <= highest) | absent)
    return numbers + 0.0  # turns -0.0 into 0.0


def _mixed(column: int, given: Sequence[Any], below: Bools, odd: Bools) -> tuple[list[Any], Bools]:
    """The numbers of a column that holds limits or gaps too, and where there is a gap."""
    limits: dict[str, float | None] = {}
    numbers = list(given)
    absent = np.zeros(len(numbers), dtype=np.bool_)
    for j, value in enumerate(given):
        kind = type(value)
        if kind is float or kind is int:
            continue
        numbers[j] = np.nan
        if value is None:
            absent[j] = True
        elif kind is str:
            if value not in limits:
                limits[value] = _limit(column, value)
            limit = limits[value]
            if limit is None:
                odd[j] = True
            else:
                numbers[j] = limit
                below[j] = True
        else:
            odd[j] = True
    return numbers, absent


def _limit(column: int, text: str) -> float | None:
    try:
        return limit_of(column, text)
    except ImpossibleError:
        return None
