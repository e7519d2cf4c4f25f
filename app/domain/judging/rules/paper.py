"""Paper: what furfural and the carbon oxides say of its age. Of a laboratory's samples of mineral oil in main tanks."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from app.domain.judging.frame import Floats, SampleFrame
from app.domain.judging.norms import PAPERS, Norming
from app.domain.judging.rules.levels import RAISED, Levels
from app.domain.judging.rules.oil_tests import limit_columns
from app.domain.judging.rules.rule import Rule
from app.science.norms.limits import beyond
from app.science.norms.limits import limit as single_limit
from app.science.norms.own_record import robust_score
from app.science.oil.paper import dp_band
from app.science.quantities import FAULT_GASES, NORM_GASES

SIGNS: Final = ("polymerization", "owner", "rise", "involved", "slow")
"""What can be found, in the order of the columns of ``PaperSigns.by``."""
POLYMERIZATION, OWNED, RISE, INVOLVED, SLOW = range(len(SIGNS))
FEWEST: Final = 3
"""Samples with furfural that a rise is judged by (ours)."""
CO: Final = NORM_GASES.index("co")
HYDROCARBONS: Final = [NORM_GASES.index(gas) for gas in FAULT_GASES if gas != "h2"]


@dataclass(frozen=True)
class PaperSigns:
    """Columns made by :func:`judge_paper`.

    Attributes:
        dp_low, dp_high: (n,) band of the degree of polymerization; NaN without furfural.
        usual: (n,) furfural of the record [mg/kg]; NaN where it is too short.
        carbon: (n,) CO2/CO; NaN where either has no number.
        by: (n, 5) severity 0 to 3 of each of :data:`SIGNS`.
    """

    dp_low: Floats
    dp_high: Floats
    usual: Floats
    carbon: Floats
    by: NDArray[np.int8]

    def severity(self) -> NDArray[np.int8]:
        """(n,) the gravest of all."""
        return np.asarray(self.by.max(axis=1, initial=0), dtype=np.int8)


def judge_paper(frame: SampleFrame, levels: Levels, norming: Norming) -> PaperSigns:
    """Every laboratory sample with furfural, or with both carbon oxides."""
    n = len(frame)
    here = (norming.barred == 0) & ~frame.online
    furfural = np.where(frame.censored("furfural") | ~here, np.nan, frame.column("furfural"))
    low, high = np.full(n, np.nan), np.full(n, np.nan)
    for number, paper in enumerate(PAPERS):
        of = norming.paper == number
        if of.any():
            low[of], high[of] = dp_band(furfural[of], str(paper))
    found = PaperSigns(
        low, high, np.full(n, np.nan), _carbon(frame, here), np.zeros((n, len(SIGNS)), np.int8)
    )
    late, end = single_limit("dp_late").value, single_limit("dp_end").value
    found.by[:, POLYMERIZATION] = np.select(
        [(low < end) & (high < late), high < late, low < late], [3, 2, 1], 0
    )
    mild, grave, _ = limit_columns(norming, "furfural")
    own = np.where(frame.censored("furfural") | frame.online, np.nan, frame.column("furfural"))
    found.by[:, OWNED] = np.select([own > grave, own > mild], [2, 1], 0)
    _rises(frame, furfural, found)
    _oxides(frame, levels, found)
    return found


def _carbon(frame: SampleFrame, here: NDArray[np.bool_]) -> Floats:
    co, co2 = frame.column("co"), frame.column("co2")
    usable = here & (co > 0) & ~frame.censored("co") & ~frame.censored("co2")
    carbon: Floats = np.divide(co2, co, out=np.full(len(frame), np.nan), where=usable)
    return carbon


def _rises(frame: SampleFrame, furfural: Floats, found: PaperSigns) -> None:
    """The rate says more than the level: against the record before it, from the caution on."""
    for row in np.flatnonzero(beyond("furfural_caution", furfural)):
        begin = int(np.searchsorted(frame.series, frame.series[row]))
        record = furfural[begin:row]
        record = record[record > 0]
        if len(record) < FEWEST:
            continue
        found.usual[row] = float(np.median(record))
        score = float(robust_score(np.log(furfural[row]), np.log(record)))
        if score >= single_limit("furfural_rise").value:
            found.by[row, RISE] = 2 if beyond("furfural_abnormal", furfural[row]) else 1


def _oxides(frame: SampleFrame, levels: Levels, found: PaperSigns) -> None:
    """Carbonized paper needs raised CO and raised hydrocarbons; without them it is the oil that oxidizes."""
    raised = levels.level >= RAISED
    involved = beyond("paper_carbonized", found.carbon) & raised[:, CO] & raised[:, HYDROCARBONS].any(axis=1)
    found.by[involved, INVOLVED] = np.where(found.by[involved, POLYMERIZATION] >= 2, 3, 2)
    slow = beyond("paper_slow_co2", frame.column("co2")) & beyond("paper_slow", found.carbon)
    found.by[slow, SLOW] = 1


PAPER: Final = Rule(judge_paper, ("frame", "levels", "norming"))
