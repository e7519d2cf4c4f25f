"""Samples that an instrument posts as JSON, as columns.

The body is parsed once. Samples with the same keys in the same order are read a column at a time; whatever is
odd in a sample is left to :mod:`app.intake.recording.sample_reader`, which says of one sample what is taken and why
not, so that one bad sample is refused with its field and reason and the good ones beside it are kept.

Errors: ``BadPayload`` when the body as a whole cannot be taken; a sample that cannot be taken is a
:class:`~app.domain.model.Rejection`.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, Final

import numpy as np
from pydantic_core import from_json

from app.domain.model import Quality, Rejection, SetAside, Source
from app.domain.recording.clock import ClockRule
from app.domain.recording.columns import SampleColumns
from app.intake.numbers import shown
from app.intake.recording.payload_block import Block, blocks_of, read_block
from app.intake.recording.payload_schema import EXAMPLE, MAX_SAMPLES, batch_schema
from app.intake.recording.sample_reader import Row, SampleReader
from app.intake.strict_json import BadPayload, key_name, refuse_repeated_keys
from app.science.quantities import NAMES

__all__ = ["EXAMPLE", "MAX_SAMPLES", "BadPayload", "batch_schema", "parse_columns"]

_FEW: Final = 8
"""Below this many samples numpy costs more than it saves."""


def parse_columns(body: bytes, source: Source, now: datetime, rule: ClockRule) -> SampleColumns:
    """What a posted body says.

    Args:
        body: UTF-8 JSON, ``{"samples": [...]}``; see :data:`EXAMPLE`.
        source: the instrument whose key came with it.
        now: the server's time.
        rule: which times are doubted, and what is done then.

    Raises:
        BadPayload: the body cannot be read, is empty, holds unknown or repeated keys, or too many samples.
    """
    items = _items(body)
    reader = SampleReader(source, now, rule)
    filling = _Filling(len(items))
    left: Sequence[int] = range(len(items))
    if len(items) >= _FEW:
        blocks, alone = blocks_of(items, _FEW)
        left = alone
        for places in blocks:
            block = read_block(reader, [items[i] for i in places])
            left += filling.put_block(places, block) if block else places
    for i in left:
        filling.put(i, reader.read(items[i], i))
    return filling.columns()


class _Filling:
    """The rows by their place in the post, while they come in."""

    def __init__(self, size: int) -> None:
        self.taken_at: list[datetime | None] = [None] * size
        self.compartment = [""] * size
        self.values = np.full((size, len(NAMES)), np.nan)
        self.below = np.zeros((size, len(NAMES)), dtype=np.bool_)
        self.qualities: list[Mapping[str, Quality] | None] = [None] * size
        self.set_aside: list[SetAside | None] = [None] * size
        self.rejections: list[Rejection] = []

    def put(self, i: int, found: Row | Rejection) -> None:
        if isinstance(found, Rejection):
            self.rejections.append(found)
            return
        self.taken_at[i] = found.taken_at
        self.compartment[i] = found.compartment
        self.values[i] = found.values
        self.below[i, found.below] = True
        self.qualities[i] = found.qualities
        self.set_aside[i] = found.set_aside

    def put_block(self, places: Sequence[int], block: Block) -> list[int]:
        """The places whose samples are to be looked at one by one."""
        self.values[np.ix_(places, block.columns)] = block.values
        self.below[np.ix_(places, block.columns)] = block.below
        for i, at, compartment in zip(places, block.taken_at, block.compartment, strict=True):
            self.taken_at[i] = at
            self.compartment[i] = compartment
        odd = [places[j] for j in np.flatnonzero(block.odd).tolist()]
        self.values[odd] = np.nan
        self.below[odd] = False
        return odd

    def columns(self) -> SampleColumns:
        size = len(self.taken_at)
        if not self.rejections:
            return SampleColumns(
                size,
                range(size),
                self.compartment,
                self.taken_at,  # type: ignore[arg-type]  # every place is filled
                self.values,
                self.below,
                self.qualities,
                self.set_aside,
            )
        refused = {rejection.index for rejection in self.rejections}
        place = [i for i in range(size) if i not in refused]
        return SampleColumns(
            size,
            place,
            [self.compartment[i] for i in place],
            [at for i in place if (at := self.taken_at[i]) is not None],
            self.values[place],
            self.below[place],
            [self.qualities[i] for i in place],
            [self.set_aside[i] for i in place],
            sorted(self.rejections, key=lambda rejection: rejection.index or 0),
        )


def _items(body: bytes) -> list[Any]:
    """The posted samples as they stand.

    Raises:
        BadPayload: the body as a whole cannot be taken.
    """
    try:
        parsed = from_json(body, cache_strings="keys")
    except ValueError as error:
        raise BadPayload("body", f"not valid JSON in UTF-8: {error}", "not_json") from None
    if type(parsed) is not dict:
        raise BadPayload("body", 'must be an object {"samples": [...]}')
    if "samples" not in parsed:
        raise BadPayload("samples", "is missing; give a list of samples")
    items = parsed["samples"]
    if type(items) is not list:
        raise BadPayload("samples", "must be a list of samples")
    if not items:
        raise BadPayload("samples", "is empty; give at least one sample")
    if len(items) > MAX_SAMPLES:
        raise BadPayload(
            "samples", f"more than {MAX_SAMPLES} samples; send them in several posts", "too_many"
        )
    for key in parsed:
        if key != "samples":
            raise BadPayload(key_name(key), f"unknown key {shown(key)}; the body has one key, 'samples'")
    if not _keys_stand_once(body, items):
        refuse_repeated_keys(body)
    return items


def _keys_stand_once(body: bytes, items: list[Any]) -> bool:
    """True when no key can stand twice: the parsed objects hold as many keys as the text has ends of keys.

    Without blanks before colons each key of the text ends in ``":``; texts that hold the same two characters
    only make the count larger. So equal counts prove it, and unequal ones prove nothing.
    """
    text = np.frombuffer(body, dtype=np.uint8)
    before, colon = text[:-1], text[1:] == ord(":")
    if np.count_nonzero(colon & (before <= ord(" "))):
        return False
    return int(np.count_nonzero(colon & (before == ord('"')))) == 1 + sum(map(_keys, items))


def _keys(item: object) -> int:
    if type(item) is not dict:
        return 0
    return len(item) + sum(map(_keys, item.values())) if dict in map(type, item.values()) else len(item)
