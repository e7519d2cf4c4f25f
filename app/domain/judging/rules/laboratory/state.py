"""What the walk over laboratory samples keeps from sample to sample."""

from dataclasses import dataclass, fields

import numpy as np

from app.domain.judging.frame import Bools, Floats, Integers, SampleFrame
from app.domain.judging.rules.change import Changes
from app.domain.judging.rules.laboratory.believed import Believed
from app.domain.judging.rules.levels import GASES, Levels


@dataclass
class Walk:
    """The state of every series while the walk goes on: one row a series, longest series first."""

    reference: Floats  # (s, 7) numbers of the last believed sample
    reference_below: Bools  # (s, 7)
    reference_at: Floats  # (s, 7) when they were taken
    pending: Integers  # (s,) row of a suspect sample that waits for its confirmation, or -1
    pending_rise: Bools  # (s, 7) the gases it is suspected for because they rose
    pending_fall: Bools  # (s, 7) and because they fell: a rise does not confirm a fall
    pending_all: Bools  # (s,) all of them fell
    gassing: Bools  # (s,) a change was confirmed and has not ended: the next one needs no confirmation
    asked: Bools  # (s, 7) gases whose rate was above and not borne out: another sample was asked for

    @classmethod
    def start(cls, series: int) -> "Walk":
        return cls(
            reference=np.full((series, GASES), np.nan),
            reference_below=np.zeros((series, GASES), dtype=np.bool_),
            reference_at=np.full((series, GASES), np.nan),
            pending=np.full(series, -1, dtype=np.int64),
            pending_rise=np.zeros((series, GASES), dtype=np.bool_),
            pending_fall=np.zeros((series, GASES), dtype=np.bool_),
            pending_all=np.zeros(series, dtype=np.bool_),
            gassing=np.zeros(series, dtype=np.bool_),
            asked=np.zeros((series, GASES), dtype=np.bool_),
        )

    def head(self, count: int) -> "Walk":
        """Views of the first ``count`` series."""
        return Walk(*(getattr(self, f.name)[:count] for f in fields(self)))

    def refer(self, which: Integers, frame: SampleFrame, rows: Integers) -> None:
        """What the samples ``rows`` measured is what later ones of the series ``which`` are compared with."""
        value = frame.values[rows, :GASES]
        known = ~np.isnan(value)
        for column, new in (
            (self.reference, value),
            (self.reference_below, frame.below[rows, :GASES]),
            (self.reference_at, np.broadcast_to(frame.at[rows][:, None], value.shape)),
        ):
            column[which] = np.where(known, new, column[which])

    def forget(self, which: Integers, frame: SampleFrame, rows: Integers) -> None:
        """Compare with nothing before the samples ``rows``."""
        self.reference[which], self.reference_at[which] = np.nan, np.nan
        self.reference_below[which] = False
        self.refer(which, frame, rows)


@dataclass(frozen=True)
class Walked:
    """What every step of the walk reads and writes."""

    frame: SampleFrame
    levels: Levels
    points: Floats  # (n, 7) values of the norm gases; NaN where missing or censored
    copy: Bools  # (n,) every figure is that of the sample before: it settles nothing
    believed: Believed
    out: Changes
