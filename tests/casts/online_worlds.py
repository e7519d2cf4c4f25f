"""A simulated monitor: daily medians that follow the oil's temperature, one gas with its own lag, and scatter."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class World:
    """Ours. ``swing``: half the yearly swing of the oil [K]; a gas scatters by ``own``, all together by ``shared``."""

    phi: float = 0.3
    swing: float = 6.5
    gases: int = 5
    own: float = 0.04
    shared: float = 0.02
    wild: float = 0.005

    def made(self, rng: np.random.Generator, units: int, days: int) -> tuple[Floats, Floats]:
        """(units, days, gases) logarithms and (units, days, 2) oil temperature [°C] and load."""
        t = np.arange(days) + rng.integers(0, 365, (units, 1))
        weather = 4.0 * serial(rng, (units, days), 0.7)
        load = 0.6 + 0.08 * np.where(t % 7 < 5, 1.0, -1.0) + rng.normal(0.0, 0.05, t.shape)
        oil = 25.5 + self.swing * np.cos(2 * np.pi * (t - 200) / 365.25) + weather + 10.0 * (load - 0.6)
        per_kelvin = np.concatenate(
            [np.full((units, 1), 0.015), rng.uniform(0.003, 0.006, (units, 9))], axis=1
        )
        lag = rng.uniform(2.0, 20.0, (units, self.gases))
        y = np.log(50.0) + self.own * np.moveaxis(serial(rng, (units, self.gases, days), self.phi), 1, 2)
        y += self.shared * serial(rng, (units, days), self.phi)[..., None]
        y += per_kelvin[:, None, : self.gases] * _lagged(oil, lag)
        wild = rng.random((units, days, 1)) < self.wild
        return np.where(wild, y + rng.normal(0.0, 0.4, y.shape), y), np.stack([oil, load], axis=-1)


WORLD_A = World()
WORLD_B = World(swing=14.5)
"""Oil from about 5 to 46 °C over the year, with its weather."""


def serial(rng: np.random.Generator, shape: tuple[int, ...], phi: float) -> Floats:
    """First-order autoregression of variance one along the last axis."""
    found = np.empty(shape)
    found[..., 0] = rng.normal(size=shape[:-1])
    shocks = rng.normal(size=shape) * np.sqrt(1.0 - phi * phi)
    for k in range(1, shape[-1]):
        found[..., k] = phi * found[..., k - 1] + shocks[..., k]
    return found


def _lagged(oil: Floats, lag: Floats) -> Floats:
    gain = 1.0 - np.exp(-1.0 / lag)
    found = np.empty((*oil.shape, lag.shape[1]))
    state = np.broadcast_to(oil[:, :1], lag.shape)
    for k in range(oil.shape[1]):
        state = state + gain * (oil[:, k, None] - state)
        found[:, k] = state
    return found
