"""Falls of fault gases that measurement cannot explain: they do not leave sealed oil by themselves."""

from functools import cache

import numpy as np

from app.domain.judging.frame import Bools, Floats
from app.science.measuring.uncertainty import FLOOR_IN_DETECTION_LIMITS, detection_limit, measurement_sd
from app.science.quantities import FAULT_GASES, NORM_GASES

JOINT_FALL = 2.33
"""Standard normal score that chance passes once in a hundred."""
FALLEN_FEWEST = 2
"""Fault gases well above detection that must fall together before the oil is presumed to have been treated (ours)."""


def fallen(value: Floats, below: Bools, reference: Floats, reference_below: Bools) -> tuple[Bools, Bools]:
    """Where fault gases fell by more than measurement can explain, from well above detection; and (k,) where all did.

    Either one gas by more than three standard deviations of the difference, or all of them at once, hydrogen
    most, with a joint score beyond one in a hundred: the mark of air or of a container that leaked. "Below 5" is at
    most 5. All: every fault gas that stood well above detection by more than two of them, and no other gas rose.
    """
    limits = _detection_limits()
    compared = ~np.isnan(value) & ~np.isnan(reference) & ~reference_below
    known = compared & np.isfinite(limits) & ~(below & (value >= reference))
    spread = np.hypot(
        measurement_sd(value, floor=measurement_floor()),
        measurement_sd(reference, floor=measurement_floor()),
    )
    score = np.divide(reference - value, spread, out=np.zeros(value.shape), where=compared & (spread > 0))
    well = known & (reference >= 5.0 * limits)
    alone = well & (score > 3.0)
    count = known.sum(axis=1)
    joint = np.where(known, score, 0.0).sum(axis=1) / np.sqrt(np.maximum(count, 1)) > JOINT_FALL
    joint &= (count >= 4) & ((score > 0) | ~known).all(axis=1)
    part = np.divide(value, reference, out=np.ones(value.shape), where=known & (reference > 0))
    others = np.where(known, part, np.inf)[:, 1:].min(axis=1)
    joint &= known[:, 0] & (1.0 - part[:, 0] >= 2.0 * (1.0 - others))
    found: Bools = alone | (joint[:, None] & known)
    risen = compared & ~below & (score < -2.0)
    all_down: Bools = (
        (well.sum(axis=1) >= FALLEN_FEWEST) & ((score > 2.0) | ~well).all(axis=1) & ~risen.any(axis=1)
    )
    return found, all_down


@cache
def _detection_limits() -> Floats:
    """Usual detection limits of the fault gases [µL/L]; infinite for the oxides, whose falls have other causes."""
    return np.array([detection_limit(g) if g in FAULT_GASES else np.inf for g in NORM_GASES])


@cache
def measurement_floor() -> Floats:
    """Standard deviation near detection of each norm gas [µL/L]."""
    return np.array([FLOOR_IN_DETECTION_LIMITS * detection_limit(g) for g in NORM_GASES])
