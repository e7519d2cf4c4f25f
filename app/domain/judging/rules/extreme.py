"""Extreme results (IEEE C57.104-2019, 6.1.2: much above Table 2 or 3), which call for action at once.

A matter of level, of change, of rate and of the fault: by which of them, and from where on, says
``tables/extreme.csv``. First samples count as well: what is far above Table 2 needs no history.
"""

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np

from app.domain.judging.frame import Bools, Floats, SampleFrame
from app.domain.judging.norms import norms_2019
from app.domain.judging.rules.change import ACETYLENE, Changes, whole_change
from app.domain.judging.rules.levels import GASES, Levels
from app.domain.judging.rules.rule import Rule
from app.science.diagnosis.triangles import TRIANGLE_1_ZONES, duval_triangle_1
from app.science.measuring.uncertainty import detection_limit
from app.science.norms.limits import beyond
from app.science.quantities import NORM_GASES
from app.science.tables import cited, rows

KINDS: Final = ("level", "delta", "rate", "fault", "trip")
"""What is extreme of a gas, in the order in which it is told."""
GRAVE: Final = {"c2h4": "T3", "c2h2": "D2"}
"""The pattern that a gas is the mark of, and that makes it grave from a lower level on."""


@dataclass(frozen=True, slots=True)
class Extremity:
    """A row of the table: ``times`` a norm, or a ``limit`` of its own; the other is None."""

    times: float | None
    limit: float | None
    unit: str
    source: str
    provenance: str


@cache
def extremity() -> dict[tuple[str, str], Extremity]:
    """The table by (kind, gas)."""
    return {
        (row["kind"], row["quantity"]): Extremity(
            times=float(row["times"]) if row["times"] else None,
            limit=float(row["limit"]) if row["limit"] else None,
            unit="µL/L/year" if row["kind"] == "rate" else "µL/L",
            source=cited(row),
            provenance=row["provenance"],
        )
        for row in rows("extreme")
    }


@dataclass(frozen=True)
class ExtremeKinds:
    """By kind, (n, 7) each: where a gas is extreme by it, and from where on it is [µL/L, of rates µL/L/year]."""

    found: dict[str, Bools]
    limits: dict[str, Floats]


def _limits(kind: str, levels: Levels, changes: Changes) -> Floats:
    """From where on a gas is extreme by one kind; infinite where by none.

    Multiples are of the 2019 guide's tables, whatever set judges the status; an owner's limit that is higher than
    Table 2 stands in its place.
    """
    published = norms_2019().high[levels.side, levels.age]
    table = {
        "level": np.where(levels.owner_high, np.fmax(published, levels.high), published),
        "delta": norms_2019().delta[levels.side],
        "rate": changes.rate_limit,
    }
    table["fault"] = table["trip"] = table["level"]
    found = np.full(table[kind].shape, np.inf)
    for g, gas in enumerate(NORM_GASES):
        one = extremity().get((kind, gas))
        if one is not None:
            found[:, g] = one.limit if one.times is None else one.times * table[kind][:, g]
    return found


def extreme_kinds(frame: SampleFrame, levels: Levels, changes: Changes) -> ExtremeKinds:
    """Each kind on every sample; a limit reached counts. Nowhere where no norm applies."""
    limits = {kind: _limits(kind, levels, changes) for kind in KINDS}
    return ExtremeKinds({kind: _by(kind, limits[kind], frame, levels, changes) for kind in KINDS}, limits)


def _by(kind: str, limits: Floats, frame: SampleFrame, levels: Levels, changes: Changes) -> Bools:
    value = np.where(frame.below[:, :GASES], np.nan, frame.values[:, :GASES])
    if kind == "delta":
        found = whole_change(changes) >= limits
    elif kind == "rate":
        found = (changes.rate >= limits) & changes.borne_out
    else:
        found = value >= limits
    if kind == "fault":
        found &= _grave(frame, found) & _new(changes)
    elif kind == "trip":
        found &= (frame.tripped & _from_nothing(frame, changes))[:, None]
    result: Bools = found & (levels.barred == 0)[:, None]
    return result


def extremes(kinds: ExtremeKinds) -> Bools:
    """(n, 7) where a gas is extreme by any kind."""
    found: Bools = np.logical_or.reduce([kinds.found[kind] for kind in KINDS])
    return found


def _grave(frame: SampleFrame, asked: Bools) -> Bools:
    """Where the gas asked for is the mark of a grave pattern (triangle 1), and not of a tap changer (D.9.2)."""
    found = np.zeros(asked.shape, dtype=np.bool_)
    which = np.flatnonzero(asked.any(axis=1))
    if not which.size:
        return found
    h2, ch4, c2h4, c2h2 = (frame.column(g)[which] for g in ("h2", "ch4", "c2h4", "c2h2"))
    zone = duval_triangle_1(ch4, c2h4, c2h2)
    with np.errstate(divide="ignore", invalid="ignore"):
        switching = beyond("tap_changer_gas", np.where(h2 > 0, c2h2 / h2, np.nan))
    for gas, code in GRAVE.items():
        found[which, NORM_GASES.index(gas)] = (zone == TRIANGLE_1_ZONES.index(code)) & ~switching
    return found


def _new(changes: Changes) -> Bools:
    """(n, 7) where a gas has no history, or its change or rate is above its norm."""
    first = np.isnan(changes.delta) & np.isnan(changes.rate)
    found: Bools = first | changes.delta_exceeds | changes.borne_out
    return found


def _from_nothing(frame: SampleFrame, changes: Changes) -> Bools:
    """(n,) where there is acetylene, and there was none before, or nothing is known of before."""
    before = changes.reference[:, ACETYLENE]
    none = np.isnan(before) | changes.reference_below[:, ACETYLENE] | (before < detection_limit("c2h2"))
    found: Bools = none & (frame.column("c2h2") > 0)
    return found


EXTREME_KINDS: Final = Rule(extreme_kinds, ("frame", "levels", "changes"))
EXTREMES: Final = Rule(extremes, ("extreme_kinds",))
