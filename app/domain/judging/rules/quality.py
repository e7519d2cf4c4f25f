"""Quality: signs that a laboratory sample itself is in doubt, before its verdict is believed.

A doubtful sample is judged like any other, and asks for a confirmation sample. What is in doubt raises no alarm alone,
unless it is extreme; what is not in doubt does. Slips of the pen show against history only, so they are looked for
where a sample differs from the one before it.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from app.domain.judging.frame import Bools, Floats, SampleFrame
from app.domain.judging.rules.change import Changes
from app.domain.judging.rules.levels import GASES, Levels
from app.domain.judging.rules.rule import Rule
from app.science.measuring.quality import air_exposure, gas_loss, oversaturated
from app.science.measuring.slips import identical_repeat, lost_digit, rearranged_columns, unit_slip


@dataclass(frozen=True)
class Quality:
    """Columns made by :func:`judge_quality`; all False for on-line samples.

    Attributes:
        air: (n,) air got into the sample. loss: (n,) hydrogen was lost from it.
        repeat: (n,) equal to the report before it.
        digit: (n, 7) a gas off by a factor of ten. unit: (n,) power of ten by which all are off.
        shift: (n,) columns shifted by one. swapped: (n, 2) exchanged columns, -1 for none.
        saturated: (n, 3) oxygen, nitrogen, water above what oil can hold.
        nothing: (n,) three norm gases or more, all of them zero.
        doubted: (n, 7) norm gases in doubt by any of these, or by a fall that measurement cannot explain: a sample is
            judged by the others. More oxygen, nitrogen or water than oil can hold puts only these in doubt.
        doubtful: (n,) some norm gas is in doubt; not where the sample confirms what the one before it showed.
    """

    air: Bools
    loss: Bools
    repeat: Bools
    digit: Bools
    unit: NDArray[np.int8]
    shift: NDArray[np.int8]
    swapped: NDArray[np.int8]
    saturated: Bools
    nothing: Bools
    doubted: Bools
    doubtful: Bools


def judge_quality(
    frame: SampleFrame, levels: Levels, changes: Changes, relative_saturation: Floats
) -> Quality:
    """All signs of every sample."""
    n = len(frame)
    laboratory = ~frame.online
    before = np.arange(n) - 1
    has_before = np.r_[False, np.diff(frame.series) == 0] & laboratory if n else laboratory
    previous = np.where(has_before, before, 0)
    earlier_ratio = np.where(has_before, levels.oxygen_ratio[previous], np.nan) if n else np.zeros(0)
    value, reference = frame.values[:, :GASES], changes.reference
    h2, ch4 = frame.column("h2"), frame.column("ch4")
    air = air_exposure(h2, reference[:, 0], levels.oxygen_ratio, earlier_ratio) & laboratory
    loss = gas_loss(h2, reference[:, 0], ch4, reference[:, 1]) & laboratory & ~air
    repeat = has_before & (identical_repeat(frame.values, frame.values[previous]) if n else has_before)
    saturated = (
        oversaturated(frame.column("o2"), frame.column("n2"), relative_saturation) & laboratory[:, None]
    )
    saturated[:, 1] &= ~frame.blanketed  # under a blanket oil takes up as much nitrogen as its pressure gives

    digit = np.zeros((n, GASES), dtype=np.bool_)
    unit, shift = np.zeros(n, dtype=np.int8), np.zeros(n, dtype=np.int8)
    swapped = np.full((n, 2), -1, dtype=np.int8)
    odd = np.flatnonzero(changes.suspect & laboratory)
    if odd.size:
        digit[odd] = lost_digit(value[odd], reference[odd])
        unit[odd] = unit_slip(value[odd], reference[odd])
        moved = rearranged_columns(value[odd], reference[odd])
        shift[odd], swapped[odd] = moved.shift, moved.swapped
    fell = changes.fell & changes.suspect[:, None]
    nothing = (np.nan_to_num(value).sum(axis=1) == 0) & ((~np.isnan(value)).sum(axis=1) >= 3) & laboratory
    doubted = (
        digit | fell | _exchanged(swapped) | (nothing | air | repeat | (unit != 0) | (shift != 0))[:, None]
    )
    doubted[:, 0] |= loss
    doubted &= laboratory[:, None]
    doubtful = doubted.any(axis=1) & ~changes.confirmed
    return Quality(air, loss, repeat, digit, unit, shift, swapped, saturated, nothing, doubted, doubtful)


def _exchanged(swapped: NDArray[np.int8]) -> Bools:
    """(n, 7) the two gases that changed places."""
    found: Bools = (np.arange(GASES) == swapped[:, :1]) | (np.arange(GASES) == swapped[:, 1:])
    return found


QUALITY: Final = Rule(judge_quality, ("frame", "levels", "changes", "relative_saturation"))
