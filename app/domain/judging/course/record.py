"""How the course of one series stands while it is walked through, and what is told of it at each sample."""

from dataclasses import dataclass, field
from enum import Enum

import numpy as np

from app.domain.judging.course.signs import Signs
from app.domain.judging.course.states import ACTIVE, State, Step
from app.domain.judging.frame import Floats
from app.domain.judging.rules.levels import GASES


class Ground(Enum):
    """What a gravity rests on, the gravest first where several give the same."""

    EXTREME = 1
    KNOWN_EXTREME = 2
    ACCELERATING = 3
    CONFIRMED = 4
    RISING = 5
    TIME = 6
    FAULT = 7
    SUSPECT = 8
    LEVEL = 9
    KNOWN_LEVEL = 10
    FALLEN = 11
    DOUBT = 12
    BLIND = 13


@dataclass(frozen=True, slots=True)
class Told:
    """Where the course has come to with one sample; times in days since 1970.

    Attributes:
        stretch: when the stretch began that the pace belongs to. last_sign: of the newest sign of gassing; NaN: none.
        grounds: of the gravity that this sample shows by itself, ``shown``; ``gravity`` may be held above it.
    """

    state: State
    since: float
    gravity: int
    shown: int
    stretch: float
    last_sign: float
    steps: frozenset[Step]
    grounds: tuple[Ground, ...]


@dataclass
class Record:
    """How the course of one series stands. ``rows``: believed samples; from ``clock`` on no sign of gassing."""

    signs: Signs
    state: State = State.QUIET
    since: float = np.nan
    gravity: int = 0
    rows: list[int] = field(default_factory=list)
    clock: int = 0
    settled: bool = False
    """That the level does not rise is on record."""
    reviewed: bool = False
    known: Floats = field(default_factory=lambda: np.full(GASES, np.nan))
    """Values when it was settled."""
    level: int = 0
    """The highest class that was told."""
    rate: Floats = field(default_factory=lambda: np.full(GASES, np.nan))
    """When the state or a doubled rate was told."""
    rate_row: int = -1
    time: float = np.nan
    """Days to the next limit, when they were last told; ``days``: at the newest sample."""
    days: float = np.nan
    pace: Floats = field(default_factory=lambda: np.full(GASES + 1, np.nan))
    """Of what was called rising, the fastest at a call: of each gas, and of their mean [1/year, of the logarithm]."""
    ended: bool = False
    """A rise of this baseline has ended: what the trend still calls of it is no new one."""
    fault: str = ""
    next_fault: str = ""
    was_confirmed: bool = False
    last_sign: float = np.nan
    stretch: float = np.nan
    pending: int = -1
    """Row of a suspect sample, and how the course stood before it."""
    before: "Record | None" = None
    steps: set[Step] = field(default_factory=set)
    review_due: bool = False
    last: Told | None = None

    def to(self, state: State, row: int, since: float = np.nan) -> None:
        """Into a state, which holds since then, or since this sample."""
        if state is not self.state:
            self.state = state
            self.since = since if np.isfinite(since) else float(self.signs.at[row])
            if state in ACTIVE and state is not State.ACCELERATING:
                self.stretch = self.since
