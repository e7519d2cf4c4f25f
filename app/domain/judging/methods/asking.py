"""Asking: whether a method may speak about a sample, and what it says there.

A method always answers when it is asked; so it is asked only when some fault gas is above its typical value
(clause 5.2.1 of IEEE C57.104-2019), the gases it reads are there, and they are not all near detection.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from app.domain.judging.frame import Bools, SampleFrame
from app.domain.judging.methods.bars import Bar
from app.domain.judging.methods.method import Answers, Method, Numbers
from app.domain.judging.rules.levels import RAISED, Levels
from app.science.measuring.uncertainty import detection_limit
from app.science.quantities import FAULT_GASES, NORM_GASES

NEAR_DETECTION: Final = 5.0
"""Below about five times the detection limit a pattern means little (clause 5.2.1)."""


@dataclass(frozen=True)
class Speech:
    """What decides for every sample whether methods may speak: worked out once for all of them.

    Attributes:
        raised: (n,) some fault gas is above its typical value.
        missing: by gas, (n,) it was not measured. telling: by gas, (n,) well above detection.
        found: by gas, (n,) above zero.
        barred: (n,) no norm applies.
    """

    raised: Bools
    missing: Mapping[str, Bools]
    telling: Mapping[str, Bools]
    found: Mapping[str, Bools]
    barred: Bools

    @classmethod
    def of(cls, frame: SampleFrame, levels: Levels) -> "Speech":
        columns = [NORM_GASES.index(g) for g in FAULT_GASES]
        value = {gas: frame.column(gas) for gas in NORM_GASES}
        return cls(
            raised=levels.level[:, columns].max(axis=1, initial=-1) >= RAISED,
            missing={gas: np.isnan(v) for gas, v in value.items()},
            telling={gas: v >= NEAR_DETECTION * detection_limit(gas) for gas, v in value.items()},
            found={gas: v > 0 for gas, v in value.items()},
            barred=levels.barred > 0,
        )

    def bars(self, gases: Sequence[str]) -> Numbers:
        """(n,) why a method over these gases may not speak, before it is asked."""
        bar = np.where(self.raised, np.int8(Bar.NONE), np.int8(Bar.ALL_TYPICAL))
        bar[~_any(self.telling, gases) & self.raised] = Bar.NEAR_DETECTION
        bar[~_any(self.found, gases)] = Bar.NO_GAS
        bar[_any(self.missing, gases)] = Bar.MISSING
        bar[self.barred] = Bar.NO_NORM
        return bar


def _any(columns: Mapping[str, Bools], gases: Sequence[str]) -> Bools:
    result = columns[gases[0]].copy()
    for gas in gases[1:]:
        result |= columns[gas]
    return result


def ask(
    method: Method, frame: SampleFrame, levels: Levels, speech: Speech, said: Mapping[str, Answers]
) -> Answers:
    """Ask a method about the samples it may speak of.

    Something is said only where censored readings, taken as nothing or as their limit, cannot change it.

    Args:
        said: what the methods before it in the registry said, by name.
    """
    bar = speech.bars(method.gases)
    rows = np.flatnonzero(bar == Bar.NONE)
    most = [frame.column(gas)[rows] for gas in method.reads]
    below = [frame.censored(gas)[rows] for gas in method.reads]
    found = method.held(*most)
    doubtful = np.flatnonzero(np.logical_or.reduce(below))
    clash = np.zeros(len(rows), dtype=np.bool_)
    if doubtful.size:
        least = [np.where(b, 0.0, v)[doubtful] for b, v in zip(below, most, strict=True)]
        clash[doubtful] = (found[doubtful] != method.held(*least)).any(axis=1)
        bar[rows[clash]] = Bar.CENSORED
    held = np.zeros((len(frame), len(method.codes)), dtype=np.bool_)
    held[rows] = found & ~clash[:, None]
    if method.unless is not None:
        held[method.unless(levels, held)] = False
    nothing = Bar.NO_GAS if method.without is None else Bar.NO_CASE
    bar[(bar == Bar.NONE) & ~held.any(axis=1)] = nothing
    if method.after is not None:
        first, codes = method.after
        silent = (bar == Bar.NONE) & ~said[first.name].named(codes)
        bar[silent], held[silent] = Bar.NOT_CALLED, False
    return Answers(method.codes, held, bar)
