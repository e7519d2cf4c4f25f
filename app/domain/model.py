"""The words of the record: sites, assets, compartments, sources, samples, service events, contacts.

All frozen; all times are aware UTC datetimes; all values are in the units of
:mod:`app.science.quantities` (conversion happens once, at intake).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from app.science.quantities import BY_NAME

_SECONDS_PER_YEAR = 31_556_952.0


class AssetKind(StrEnum):
    TRANSFORMER = "transformer"
    REACTOR = "reactor"


class Preservation(StrEnum):
    """How the oil is kept from the air."""

    SEALED = "sealed"
    FREE_BREATHING = "free_breathing"
    NITROGEN = "nitrogen_blanketed"
    UNKNOWN = "unknown"


class TapChanger(StrEnum):
    NONE = "none"
    SEPARATE = "separate"
    COMMUNICATING = "communicating"
    UNKNOWN = "unknown"


class Liquid(StrEnum):
    MINERAL_OIL = "mineral_oil"
    NATURAL_ESTER = "natural_ester"
    SYNTHETIC_ESTER = "synthetic_ester"
    SILICONE = "silicone"


class Paper(StrEnum):
    """What the conductors are wrapped in: thermally upgraded paper gives off about a tenth of the furfural."""

    PLAIN = "plain"
    UPGRADED = "upgraded"
    UNKNOWN = "unknown"


class CompartmentKind(StrEnum):
    MAIN_TANK = "main_tank"
    TAP_CHANGER = "tap_changer"


class SourceKind(StrEnum):
    INSTRUMENT = "instrument"
    LABORATORY = "laboratory"


class EventKind(StrEnum):
    """Service events. :attr:`restarts_baseline` says which make earlier gas no longer comparable."""

    DEGASSING = "degassing"
    OIL_CHANGE = "oil_change"
    REPAIR = "repair"
    THROUGH_FAULT = "through_fault"
    OVERLOAD = "overload"
    TAP_CHANGER_WORK = "tap_changer_work"
    CALIBRATION = "calibration"
    REVIEW = "review"
    """Somebody who may judge it found the unit at rest: what is known of its gas is no longer new."""
    NOTE = "note"

    @property
    def restarts_baseline(self) -> bool:
        """Common practice, no source: these remove gas or change the way it is measured."""
        return self in {EventKind.DEGASSING, EventKind.OIL_CHANGE, EventKind.REPAIR, EventKind.CALIBRATION}


@dataclass(frozen=True, slots=True)
class Site:
    code: str
    name: str
    time_zone: str


@dataclass(frozen=True, slots=True)
class Asset:
    """Nameplate of a transformer or reactor. ``code`` is the owner's own number, unique in the fleet."""

    code: str
    name: str
    site_code: str
    kind: AssetKind = AssetKind.TRANSFORMER
    serial: str | None = None
    manufacturer: str | None = None
    year_energized: int | None = None
    rated_kv: float | None = None
    rated_mva: float | None = None
    liquid: Liquid = Liquid.MINERAL_OIL
    oil_volume_l: float | None = None
    preservation: Preservation = Preservation.UNKNOWN
    tap_changer: TapChanger = TapChanger.UNKNOWN
    norm_set: str = "ieee_c57_104_2019"
    paper: Paper = Paper.UNKNOWN

    def age_years(self, at: datetime) -> float | None:
        """Years in service at a time [years], counted from the middle of the year energized."""
        if self.year_energized is None:
            return None
        start = datetime(self.year_energized, 7, 1, tzinfo=UTC)
        return max(0.0, (at - start).total_seconds() / _SECONDS_PER_YEAR)

    def ages_years(self, at: NDArray[np.float64]) -> NDArray[np.float64]:
        """:meth:`age_years` at (n,) times [days since 1970-01-01 UTC]; NaN where unknown."""
        if self.year_energized is None:
            return np.full(len(at), np.nan)
        start = datetime(self.year_energized, 7, 1, tzinfo=UTC).timestamp()
        return np.maximum(0.0, (at * 86_400.0 - start) / _SECONDS_PER_YEAR)


@dataclass(frozen=True, slots=True)
class Compartment:
    """One oil volume of an asset. ``name`` is unique within the asset, e.g. ``main``."""

    asset_code: str
    name: str
    kind: CompartmentKind = CompartmentKind.MAIN_TANK
    oil_volume_l: float | None = None


@dataclass(frozen=True, slots=True)
class Source:
    """Who measured. ``code`` is unique over instruments and laboratories together."""

    code: str
    name: str
    kind: SourceKind
    asset_code: str | None = None
    """The asset an instrument is fitted to; None for a laboratory."""
    compartments: tuple[str, ...] = ()
    """Names of the compartments an instrument serves."""
    expected_interval_minutes: int | None = None
    profile: str | None = None
    """A laboratory's file profile (a name in app/intake/files/profiles)."""
    posts_per_minute: int | None = None
    """Posts an instrument may make in a minute; 0: no limit, None: as the setting says."""


@dataclass(frozen=True, slots=True)
class Contact:
    code: str
    name: str
    email: str
    sites: tuple[str, ...] = ()
    """Codes of the sites whose alerts this contact is mailed about."""


@dataclass(frozen=True, slots=True)
class ServiceEvent:
    asset_code: str
    compartment: str
    at: datetime
    kind: EventKind
    note: str = ""


class LimitScope(StrEnum):
    """What an owner's limit is for; the narrower scope goes before the wider."""

    FLEET = "fleet"
    KIND = "kind"
    ASSET = "asset"


@dataclass(frozen=True, slots=True)
class OwnerLimit:
    """The owner's own limits of one quantity [its unit], in place of published ones: Tables 1 and 2 of gas, or those of
    the oil.

    ``of`` is the asset kind or the asset's code, empty for the whole fleet; None leaves a published limit in force.
    ``typical`` is the milder of the two, ``high`` the graver; of quantities that should be high, the lower one.
    """

    scope: LimitScope
    of: str
    quantity: str
    typical: float | None
    high: float | None
    note: str = ""
    compartment: CompartmentKind = CompartmentKind.MAIN_TANK
    """Of which kind of compartment: what is much in a main tank is little in a tap changer."""


@dataclass(frozen=True, slots=True)
class LadderStep:
    """One of the owner's own steps on a rung of the ladder of actions; all published steps of that rung give way."""

    urgency: str
    """``routine``, ``suspect``, ``watch``, ``urgent``, ``high`` or ``extreme``."""
    order: int
    text: str
    days: int
    """Counted from the sample."""


class Quality(StrEnum):
    """What the instrument itself says of a reading (validity and ``oldData`` of IEC 61850-7-3, attribute ``q``).

    Only a good one is judged; the others are kept as they came.
    """

    GOOD = "good"
    QUESTIONABLE = "questionable"
    INVALID = "invalid"
    OLD = "old"


class SetAside(StrEnum):
    """Why a whole sample is kept but not judged."""

    MAINTENANCE = "maintenance"
    """The instrument was being worked on."""
    CLOCK_AHEAD = "clock_ahead"
    """Its time was further ahead of the server's than clocks differ."""
    ANCIENT = "ancient"
    """Its time was so long ago that the clock is doubted."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One quantity of a sample: a value, or "below limit L" - never both, never neither.

    Raises:
        ValueError: if both or neither are given, or the quantity is not known.
    """

    quantity: str
    value: float | None = None
    below: float | None = None
    quality: Quality = Quality.GOOD

    def __post_init__(self) -> None:
        if self.quantity not in BY_NAME:
            raise ValueError(f"{self.quantity!r} is not a quantity")
        if (self.value is None) == (self.below is None):
            raise ValueError(f"{self.quantity}: give a value or the limit it is below, not both")

    @property
    def number(self) -> float:
        """The value, or the limit when censored, in the quantity's unit."""
        return self.value if self.value is not None else self.below  # type: ignore[return-value]

    def __str__(self) -> str:
        return f"{self.value:g}" if self.value is not None else f"<{self.below:g}"


@dataclass(frozen=True, slots=True)
class Sample:
    """What one source measured in one compartment's oil at one time.

    Identity is (asset, compartment, source, taken_at); two samples with the same identity and different
    readings are revisions of one another.
    """

    asset_code: str
    compartment: str
    source_code: str
    taken_at: datetime
    readings: Mapping[str, Reading]
    """By quantity name."""
    origin: Mapping[str, str | int] = field(default_factory=dict)
    """Where it came from, e.g. ``{"file": "a.csv", "line": 7}``; empty for HTTP."""
    laboratory_number: str | None = None
    remark: str | None = None
    set_aside: SetAside | None = None

    def __post_init__(self) -> None:
        if self.taken_at.tzinfo is None:
            raise ValueError("taken_at has no time zone")


@dataclass(frozen=True, slots=True)
class Rejection:
    """Why one row of a file or one sample of a batch cannot be taken.

    ``reason`` says what is wrong and how to mend it; ``line`` counts from 1 as a text editor does.
    """

    field: str
    reason: str
    index: int | None = None
    line: int | None = None
    column: str | None = None
    text: str | None = None


def utc_day(at: datetime) -> date:
    """The UTC calendar day a time falls on (the day that on-line medians are taken over)."""
    return at.astimezone(UTC).date()
