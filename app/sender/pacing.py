"""How long to wait before the next attempt."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from app.sender.answers import Later

MANY: Final = 30
"""Doubling further changes nothing and would overflow in the end."""

Uniform = Callable[[float, float], float]
"""A random number between two bounds, like :func:`random.uniform`."""


@dataclass(frozen=True, slots=True)
class Pacing:
    """Times in seconds.

    Attributes:
        first: upper bound of the wait after the first failure; it doubles with each further one.
        longest: upper bound of any wait that the server did not ask for.
        give_up_after: how long one batch is tried; None for ever.
        give_up_when_refused: give up at once when a person must do something (wrong key or address).
    """

    first: float = 1.0
    longest: float = 60.0
    give_up_after: float | None = None
    give_up_when_refused: bool = False

    def wait(self, why: Later, failures: int, uniform: Uniform) -> float:
        """Seconds to wait after so many failures of one batch, this one counted.

        Exponential with full jitter: anything from nothing to the bound, so that gateways which lost the server
        together do not come back together. What the server asks for is kept, with a little on top. Where a person
        must do something, the longest wait at once, but at least half of it.
        """
        if why.retry_after is not None:
            return why.retry_after + uniform(0.0, min(self.first, self.longest))
        if why.refused:
            return uniform(self.longest / 2.0, self.longest)
        return uniform(0.0, min(self.longest, self.first * 2.0 ** min(failures - 1, MANY)))
