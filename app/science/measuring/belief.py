"""What a measured change says of the true one, when most units do not change at all."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.measuring.normal import upper_p
from app.science.measuring.uncertainty import parameter

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Belief:
    """The true change as a mixture of two normal distributions: of a unit that is quiet, and of one that gasses.

    Attributes:
        active: (...) probability that it gasses.
        mean: (2, ...) of the quiet and of the active part.
        sd: (2, ...) likewise.
    """

    active: Floats
    mean: Floats
    sd: Floats

    def above_zero(self) -> Floats:
        """(...) probability that the true change is a rise."""
        with np.errstate(divide="ignore", invalid="ignore"):
            quiet, active = upper_p(-self.mean / self.sd)
        return np.asarray((1.0 - self.active) * quiet + self.active * active)

    def drawn(self, normal: Floats, uniform: Floats) -> Floats:
        """(k, ...) true changes from (k, ...) standard normal and uniform deviates."""
        gassing = uniform < self.active
        mean = np.where(gassing, self.mean[1], self.mean[0])
        return np.asarray(mean + normal * np.where(gassing, self.sd[1], self.sd[0]))


def belief(seen: ArrayLike, sd: ArrayLike, usual: ArrayLike) -> Belief:
    """What is believed of a true change after one was measured.

    Args:
        seen: measured change. [any]
        sd: standard deviation of its measurement. [as seen]
        usual: the change that 95 of 100 units do not exceed, i.e. the norm. [as seen]

    Returns:
        The mixture, of the broadcast shape; NaN where a number is.

    Notes:
        Bayes' rule on a prior with two normal parts about zero, widths ``quiet_scale`` and ``active_scale`` times the
        norm, shares 1 - ``active_share`` and ``active_share``: about 5 of 100 then lie above the norm, as the guide's
        Tables 3 and 4 say of themselves (95th percentile), and the wide part leaves a large change as it was measured.

    References:
        1. IEEE Std C57.104-2019, 6.1.3 (what Tables 3 and 4 are percentiles of).
        2. The form and the three numbers: common practice, no source; calibrated on simulated units.
    """
    change, noise, norm = (np.asarray(a, dtype=np.float64) for a in (seen, sd, usual))
    width = np.stack([parameter("quiet_scale") * norm, parameter("active_scale") * norm])
    total = width**2 + noise**2
    with np.errstate(divide="ignore", invalid="ignore"):
        keep = width**2 / total
        score = -0.5 * (change**2 / total + np.log(total))
        share = parameter("active_share")
        odds = np.log(share / (1.0 - share)) + score[1] - score[0]
        active = 1.0 / (1.0 + np.exp(-np.clip(odds, -700.0, 700.0)))
        return Belief(np.asarray(active), keep * change, np.sqrt(keep) * noise)
