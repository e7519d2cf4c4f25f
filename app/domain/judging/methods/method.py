"""What a diagnostic method is: everything that the rest of the program has to know of it, in one object."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from app.domain.judging.frame import Bools, Floats, SampleFrame
from app.domain.judging.rules.levels import Levels

Numbers = NDArray[np.int8]
Corners = Mapping[str, Floats]


@dataclass(frozen=True)
class Answers:
    """What one method says of n samples.

    Attributes:
        codes: what it can say, k of them.
        held: (n, k) where it says so; of a zone method one code at most, of a table whose rows overlap several.
        bar: (n,) a :class:`Bar`: NONE exactly where it says something.
    """

    codes: tuple[str, ...]
    held: Bools
    bar: Numbers

    def of(self, row: int) -> tuple[str, ...]:
        """What it says of one row."""
        return tuple(code for code, said in zip(self.codes, self.held[row].tolist(), strict=True) if said)

    def named(self, codes: Sequence[str]) -> Bools:
        """(n,) where it says one of these."""
        places = [self.codes.index(code) for code in codes]
        return np.asarray(self.held[:, places].any(axis=1))


@dataclass(frozen=True, slots=True)
class InFaultCall:
    """The part that a method takes in calling the fault; by default none.

    Attributes:
        weighed_as: argument of the calibrated :func:`~app.science.diagnosis.fault_call.fault_probabilities` that its
            zones are; None where they are not weighed.
        supports: a fault is called from the level only where some such method names it.
        witness: told beside the call, as agreeing or as saying otherwise.
        stray: stray gassing, of which no labelled case exists, is called where all such methods say ``S``.
    """

    weighed_as: str | None = None
    supports: bool = False
    witness: bool = False
    stray: bool = False

    @property
    def decides(self) -> bool:
        """Whether the code that is called may hang on what it says."""
        return self.weighed_as is not None or self.supports or self.stray


@dataclass(frozen=True, slots=True)
class Picture:
    """How a zone method is drawn, with a unit's samples on their way through its zones.

    Attributes:
        kind: which of the drawings of ``app.plots``.
        corners: of each zone, as the drawing takes them: three shares [%], or x and y.
        caption: where the zones are printed.
    """

    kind: Literal["triangle", "pentagon"]
    corners: Corners
    caption: str


@dataclass(frozen=True, kw_only=True)
class Method:
    """One diagnostic method, asked about the level of every sample.

    Attributes:
        name: identifier in stored assessments, exports and addresses; it never changes.
        title: its name for people.
        gases: what must be measured, found and well above detection somewhere, before it is asked.
        reads: what its science takes, in this order; what is only in here may be missing.
        codes: what it can say.
        says: its science: takes one array a gas [µL/L]; returns the number of the code, -1 for none, or for a table
            whose rows overlap a last axis of booleans, one a code.
        because: the words that lead to what it says, from the numbers it reads.
        without: why it says nothing although it was asked, from the numbers it reads; None where no gas was found.
        after: another method, earlier in the registry, and the codes of it after which alone this one is heard.
        unless: (n,) where what it says is not believed, from the levels and what it says (n, codes).
        tables: files of ``app/science/tables`` that are its alone, each with its title on the page of norms.
        fault: its part in the fault call.
        joint: between two codes that hold at once. several: what is added then to the words.
    """

    name: str
    title: str
    gases: tuple[str, ...]
    codes: tuple[str, ...]
    says: Callable[..., Numbers | Bools]
    because: Callable[[Sequence[float]], str]
    without: Callable[[Sequence[float]], str] | None = None
    reads: tuple[str, ...] = ()
    after: tuple["Method", tuple[str, ...]] | None = None
    unless: Callable[[Levels, Bools], Bools] | None = None
    tables: Mapping[str, str] = field(default_factory=dict)
    fault: InFaultCall = field(default_factory=InFaultCall)
    joint: str = "/"
    several: str = ""

    def __post_init__(self) -> None:
        if not self.reads:
            object.__setattr__(self, "reads", self.gases)

    def held(self, *gases: Floats) -> Bools:
        """(r, codes) what its science says of r samples."""
        found = self.says(*gases)
        if found.dtype == np.bool_:
            return np.asarray(found, dtype=np.bool_)
        return np.asarray(found[:, None] == np.arange(len(self.codes)))

    def readings(self, frame: SampleFrame, row: int) -> list[float]:
        """The numbers it reads of one row; a detection limit where censored."""
        return [float(frame.column(gas)[row]) for gas in self.reads]


@dataclass(frozen=True, kw_only=True)
class ZoneMethod(Method):
    """A method that places a sample in one zone of a map by the shares of its gases.

    Attributes:
        on_increment: it is asked about the new gas alone too.
        tells_increment: and what it says of that is told; not of a second map of the same point.
        drawn: it is asked about the draws under measurement uncertainty, for the probability of each zone.
        picture: how it is drawn on the pages; None where it is not.
    """

    says: Callable[..., Numbers]
    on_increment: bool = False
    tells_increment: bool = False
    drawn: bool = False
    picture: Picture | None = None
