"""The norm sets as arrays the engine can index, and as citations a reader can check.

The numbers come from the data files in ``app/science/tables``; nothing is repeated here.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from app.domain.model import Asset, CompartmentKind, LimitScope, Liquid, OwnerLimit, Paper, TapChanger
from app.science.quantities import INDEX, NAMES, NORM_GASES
from app.science.tables import cited, rows

NORM_SETS: Final = ("ieee_c57_104_2019", "ieee_c57_104_2008", "iec_60599")
"""The published sets an asset may be judged by; the first one is the default."""
IEEE_2019, IEEE_2008, IEC = range(3)
NORM_SET: Final = NORM_SETS[IEEE_2019]

NORM_SET_NAMES: Final = {
    "ieee_c57_104_2019": "IEEE C57.104-2019",
    "ieee_c57_104_2008": "IEEE C57.104-2008",
    "iec_60599": "IEC 60599 typical values (from memory)",
}
OWNER: Final = "owner's limit"

SIDES: Final = ("low", "high")
"""Oxygen ratio O2/N2: ``low`` is at most 0.2, ``high`` is above 0.2."""
AGES: Final = ("unknown", "1-9", "10-30", "over 30")
SPANS: Final = ("4-9", "10-24")

OXYGEN_RATIO_BOUNDARY: Final = 0.2
MONTH_DAYS: Final = 365.25 / 12.0
SHORTEST_SPAN_DAYS: Final = 4 * MONTH_DAYS
SHORT_SPAN_DAYS: Final = 9 * MONTH_DAYS
LONGEST_SPAN_DAYS: Final = 24 * MONTH_DAYS


@dataclass(frozen=True, slots=True)
class Citation:
    """Where a limit was read: ``IEEE C57.104-2019, 6.1.3 Table 1``, and what kind of source that is."""

    source: str
    provenance: str
    note: str


@dataclass(frozen=True)
class Norms2019:
    """The four tables.

    Attributes:
        typical: Table 1, 90th percentile concentration [µL/L], shape (side, age, gas).
        high: Table 2, 95th percentile concentration [µL/L], shape (side, age, gas).
        delta: Table 3, 95th percentile change between samples [µL/L], shape (side, gas); "any increase" is 0.
        rate: Table 4, 95th percentile multi-point rate [µL/L/year], shape (side, span, gas); 0 likewise.
        citations: by (table, gas, side, age or span).
    """

    typical: NDArray[np.float64]
    high: NDArray[np.float64]
    delta: NDArray[np.float64]
    rate: NDArray[np.float64]
    citations: dict[tuple[str, str, str, str], Citation]

    def cite(self, table: str, gas: str, side: int, column: int | None = None) -> Citation:
        """The citation of one cell; ``column`` is the age column of Tables 1 and 2, the span of Table 4."""
        third = ""
        if column is not None:
            third = SPANS[column] if table == "4" else AGES[column]
        return self.citations[table, gas, SIDES[side], third]


@cache
def norms_2019() -> Norms2019:
    """The tables, read once. Raises KeyError when the data file lacks a cell."""
    limits: dict[tuple[str, str, str, str], float] = {}
    citations: dict[tuple[str, str, str, str], Citation] = {}
    for row in rows(NORM_SET):
        key = (row["table"], row["quantity"], row["oxygen_ratio"], row["age"] or row["span"])
        limits[key] = float(row["limit"] or 0.0)  # an empty limit is "any increase"
        citations[key] = _citation(row)

    def array(table: str, thirds: tuple[str, ...]) -> NDArray[np.float64]:
        return np.array(
            [[[limits[table, gas, side, third] for gas in NORM_GASES] for third in thirds] for side in SIDES]
        )

    return Norms2019(
        typical=array("1", AGES),
        high=array("2", AGES),
        delta=array("3", ("",))[:, 0, :],
        rate=array("4", SPANS),
        citations=citations,
    )


@dataclass(frozen=True)
class Norming:
    """Which limits judge which sample: n rows.

    Attributes:
        norm_set: (n,) index into :data:`NORM_SETS`.
        communicating: (n,) True where the tap changer shares oil or gas with the main tank (IEC splits C2H2 by it).
        owner: (n,) row of the owner's limits that replace published ones, -1 for none.
        owner_typical, owner_high: (k, quantities) the owner's limits, of gas in place of Table 1 and 2; NaN leaves
            the published limit in force.
        barred: (n,) index into :data:`BARRED`: why no norm applies, 0 where one does.
        liquid: (n,) index into :data:`LIQUIDS`; left out: mineral oil.
        paper: (n,) index into :data:`PAPERS`; left out: unknown.
        rated_kv: (n,) rated voltage [kV]; NaN or left out: unknown.
    """

    norm_set: NDArray[np.int64]
    communicating: NDArray[np.bool_]
    owner: NDArray[np.int64]
    owner_typical: NDArray[np.float64]
    owner_high: NDArray[np.float64]
    barred: NDArray[np.int8]
    liquid: NDArray[np.int8] = field(default_factory=lambda: np.zeros(0, dtype=np.int8))
    paper: NDArray[np.int8] = field(default_factory=lambda: np.zeros(0, dtype=np.int8))
    rated_kv: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        n = len(self.norm_set)
        left_out = {"liquid": LIQUIDS.index(Liquid.MINERAL_OIL), "paper": PAPERS.index(Paper.UNKNOWN)}
        for name, usual in {**left_out, "rated_kv": np.nan}.items():
            column = getattr(self, name)
            if len(column) != n:
                object.__setattr__(self, name, np.full(n, usual, dtype=column.dtype))

    def owned(self, quantity: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """(n,) the owner's milder and graver limit of a quantity [its unit]; NaN where there is none."""
        none = np.full(len(self.owner), np.nan)
        if not len(self.owner_typical):
            return none, none
        has, i = self.owner >= 0, INDEX[quantity]
        return (
            np.where(has, self.owner_typical[self.owner, i], np.nan),
            np.where(has, self.owner_high[self.owner, i], np.nan),
        )

    @classmethod
    def default(cls, count: int) -> "Norming":
        """IEEE C57.104-2019 for all, no limits of the owner."""
        none = np.zeros((0, len(NAMES)))
        return cls(
            np.zeros(count, dtype=np.int64),
            np.zeros(count, dtype=np.bool_),
            np.full(count, -1, dtype=np.int64),
            none,
            none,
            np.zeros(count, dtype=np.int8),
        )


LIQUIDS: Final = tuple(Liquid)
PAPERS: Final = tuple(Paper)
BARRED: Final = (
    "",
    "the norms are for main tanks; gas of switching in a tap changer's oil is no fault by itself",
    "the norms are for mineral oil; this unit holds another liquid",
)
"""Why no norm applies, in words."""
OILS: Final = {
    Liquid.MINERAL_OIL: "this oil",
    Liquid.NATURAL_ESTER: "this natural ester",
    Liquid.SYNTHETIC_ESTER: "this synthetic ester",
    Liquid.SILICONE: "this silicone liquid",
}
"""What a compartment without norms holds, in words; tap changers hold ``TAP_CHANGER_WORDS``."""
TAP_CHANGER_WORDS: Final = "tap-changer oil"
TAP_CHANGER_OIL, OTHER_LIQUID = 1, 2


def norming_of(
    asset: Asset,
    limits: Iterable[OwnerLimit],
    count: int,
    kind: CompartmentKind = CompartmentKind.MAIN_TANK,
) -> Norming:
    """What judges ``count`` samples of one asset: its norm set and the owner's limits that concern it.

    A limit for the asset goes before one for its kind, that before one for the fleet, quantity by quantity.
    """
    norming = Norming.default(count)
    typical, high = np.full((1, len(NAMES)), np.nan), np.full((1, len(NAMES)), np.nan)
    concerned = {LimitScope.FLEET: "", LimitScope.KIND: asset.kind.value, LimitScope.ASSET: asset.code}
    for scope in (LimitScope.FLEET, LimitScope.KIND, LimitScope.ASSET):
        for limit in limits:
            if limit.scope is scope and limit.of == concerned[scope] and limit.compartment is kind:
                i = INDEX[limit.quantity]
                typical[0, i] = typical[0, i] if limit.typical is None else limit.typical
                high[0, i] = high[0, i] if limit.high is None else limit.high
    owned = not (np.isnan(typical).all() and np.isnan(high).all())
    return Norming(
        norm_set=np.full(count, NORM_SETS.index(asset.norm_set), dtype=np.int64),
        communicating=np.full(count, asset.tap_changer is TapChanger.COMMUNICATING),
        owner=np.zeros(count, dtype=np.int64) if owned else norming.owner,
        owner_typical=typical,
        owner_high=high,
        barred=np.full(count, _bar(asset, kind), dtype=np.int8),
        liquid=np.full(count, LIQUIDS.index(asset.liquid), dtype=np.int8),
        paper=np.full(count, PAPERS.index(asset.paper), dtype=np.int8),
        rated_kv=np.full(count, np.nan if asset.rated_kv is None else asset.rated_kv),
    )


def joined(norms: Sequence[Norming]) -> Norming:
    """Several of them one after the other."""
    if len(norms) == 1:
        return norms[0]
    rows = np.cumsum([0, *(len(one.owner_typical) for one in norms)])
    return Norming(
        norm_set=np.concatenate([one.norm_set for one in norms]),
        communicating=np.concatenate([one.communicating for one in norms]),
        owner=np.concatenate(
            [np.where(one.owner >= 0, one.owner + first, -1) for one, first in zip(norms, rows, strict=False)]
        ),
        owner_typical=np.concatenate([one.owner_typical for one in norms]),
        owner_high=np.concatenate([one.owner_high for one in norms]),
        **{
            name: np.concatenate([getattr(one, name) for one in norms])
            for name in ("barred", "liquid", "paper", "rated_kv")
        },
    )


def _bar(asset: Asset, kind: CompartmentKind) -> int:
    if kind is CompartmentKind.TAP_CHANGER:
        return TAP_CHANGER_OIL
    return 0 if asset.liquid is Liquid.MINERAL_OIL else OTHER_LIQUID


@dataclass(frozen=True)
class OneLimitSet:
    """A set whose limits depend on neither age nor oxygen: typical and high [µL/L], and rate [µL/L/year], (..., 7)."""

    typical: NDArray[np.float64]
    high: NDArray[np.float64]
    rate: NDArray[np.float64]
    citations: dict[str, Citation]


@cache
def norms_2008() -> OneLimitSet:
    """Condition 1 ends at ``typical``, condition 4 begins above ``high`` (2008 edition, Table 1)."""
    found = {(r["quantity"], r["condition"]): r for r in rows("ieee_c57_104_2008")}
    return OneLimitSet(
        typical=np.array([float(found[gas, "1"]["highest"]) for gas in NORM_GASES]),
        high=np.array([float(found[gas, "3"]["highest"]) for gas in NORM_GASES]),
        rate=np.full(len(NORM_GASES), np.inf),
        citations={gas: _citation(found[gas, "1"]) for gas in NORM_GASES},
    )


@cache
def norms_iec() -> OneLimitSet:
    """Upper ends of the 90 % typical ranges; first axis: tap changer not communicating, communicating.

    The ranges are over networks and from memory. The set has no second, higher limit.
    """
    found = {(r["kind"], r["quantity"], r["tap_changer"]): r for r in rows("iec_60599_typical")}

    def row(kind: str, gas: str, tap_changer: str) -> dict[str, str]:
        return found.get((kind, gas, "any")) or found[kind, gas, tap_changer]

    def array(kind: str) -> NDArray[np.float64]:
        return np.array(
            [[float(row(kind, g, tap)["highest"]) for g in NORM_GASES] for tap in ("no", "communicating")]
        )

    typical = array("concentration")
    return OneLimitSet(
        typical=typical,
        high=np.full(typical.shape, np.inf),
        rate=array("rate"),
        citations={gas: _citation(row("concentration", gas, "no")) for gas in NORM_GASES},
    )


def _citation(row: dict[str, str]) -> Citation:
    return Citation(cited(row), row["provenance"], row["note"])


def age_column(age_years: NDArray[np.float64]) -> NDArray[np.int8]:
    """Index into :data:`AGES` for ages in years; NaN is "unknown".

    Completed years decide: 9.9 years is in "1-9", 30.9 in "10-30". The guide leaves units younger than one
    year out of its columns; they are judged by "1-9", the lowest one, because norms lower than Table 1 are
    typical for them (clause 5.3.1).
    """
    whole = np.floor(age_years)
    column = np.where(whole <= 9, 1, np.where(whole <= 30, 2, 3))
    return np.where(np.isnan(age_years), 0, column).astype(np.int8)


def span_column(span_days: NDArray[np.float64]) -> NDArray[np.int8]:
    """Index into :data:`SPANS`. The guide does not say which holds between 9 and 10 months: the stricter."""
    return (span_days > SHORT_SPAN_DAYS).astype(np.int8)
