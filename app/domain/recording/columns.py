"""A post of an instrument as columns: what the record path works on, many samples at a time."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from app.domain.judging.frame import Bools, Floats
from app.domain.model import Quality, Rejection, Sample, SetAside
from app.science.quantities import INDEX, NAMES


@dataclass(frozen=True)
class SampleColumns:
    """``size`` posted samples of one instrument: n that can be taken as rows, the others as rejections.

    Attributes:
        size: how many were posted.
        place: (n,) the place of each row in the post, rising.
        compartment: (n,) names of compartments that the instrument serves.
        taken_at: (n,) aware UTC times.
        values: (n, quantities) in the order of ``NAMES``; NaN where not measured, the limit where censored.
        below: (n, quantities) True where the number is a detection limit.
        qualities: (n,) quality by quantity of the readings that are not good; None for a row of good ones.
        set_aside: (n,) why a whole sample is kept but not judged; None: it is judged.
        rejections: one for each posted sample that is no row, with its ``index``.
    """

    size: int
    place: Sequence[int]
    compartment: Sequence[str]
    taken_at: Sequence[datetime]
    values: Floats
    below: Bools
    qualities: Sequence[Mapping[str, Quality] | None]
    set_aside: Sequence[SetAside | None]
    rejections: Sequence[Rejection] = ()

    def __post_init__(self) -> None:
        n = len(self.place)
        if self.values.shape != (n, len(NAMES)) or self.below.shape != self.values.shape:
            raise ValueError(f"values and below must have the shape ({n}, {len(NAMES)})")
        if not n == len(self.compartment) == len(self.taken_at) == len(self.qualities) == len(self.set_aside):
            raise ValueError("the columns differ in length")
        if n + len(self.rejections) != self.size:
            raise ValueError("every posted sample is a row or a rejection")

    def __len__(self) -> int:
        return len(self.place)


def columns_of(batch: Sequence[Sample | Rejection]) -> SampleColumns:
    """The columns of samples of one instrument that are at hand one by one."""
    rows = [(i, item) for i, item in enumerate(batch) if isinstance(item, Sample)]
    values = np.full((len(rows), len(NAMES)), np.nan)
    below = np.zeros(values.shape, dtype=np.bool_)
    qualities: list[Mapping[str, Quality] | None] = []
    for row, (_, sample) in enumerate(rows):
        for name, reading in sample.readings.items():
            values[row, INDEX[name]] = reading.number
            below[row, INDEX[name]] = reading.below is not None
        bad = {n: r.quality for n, r in sample.readings.items() if r.quality is not Quality.GOOD}
        qualities.append(bad or None)
    return SampleColumns(
        size=len(batch),
        place=[i for i, _ in rows],
        compartment=[s.compartment for _, s in rows],
        taken_at=[s.taken_at for _, s in rows],
        values=values,
        below=below,
        qualities=qualities,
        set_aside=[s.set_aside for _, s in rows],
        rejections=[item for item in batch if isinstance(item, Rejection)],
    )
