"""Everything that can be registered, described once: its fields, their bounds and units, and what must agree.

``XxxBody`` is what a program sends to the address of one thing; ``XxxEntry`` adds the code: one entry of a fleet file,
and what is read back. A new field stands here, in the dataclass of :mod:`app.domain.model` under the same name, and in
the table; readers, addresses and the interface's description follow.
"""

from typing import Annotated, Any, Self, get_origin

from pydantic import BaseModel, Field, ValidationInfo, field_validator, model_validator

from app.domain.alerting.advice import RUNGS
from app.domain.judging.norms import NORM_SETS
from app.domain.model import (
    Asset,
    AssetKind,
    Compartment,
    CompartmentKind,
    Contact,
    EventKind,
    LadderStep,
    LimitScope,
    Liquid,
    OwnerLimit,
    Paper,
    Preservation,
    ServiceEvent,
    Site,
    Source,
    SourceKind,
    TapChanger,
)
from app.intake.files.profile import profile_names
from app.intake.registering.fields import (
    At,
    Between,
    Code,
    Door,
    Email,
    Entries,
    Gas,
    Line,
    Note,
    OneOf,
    Volume,
    Year,
    Zone,
    not_one_of,
)
from app.intake.strict_json import Strict
from app.science.quantities import LIMITED, LOW_IS_BAD

MAIN = "main"
"""The compartment of an asset that names none."""


def keys_of(model: type[BaseModel]) -> tuple[str, ...]:
    """The keys of a description, as people write them."""
    return tuple(field.alias or name for name, field in model.model_fields.items())


class Thing(Strict):
    """What is registered. Fields are called as those of the domain's dataclass; an alias is the key people write."""

    @model_validator(mode="before")
    @classmethod
    def _empty_is_left_out(cls, given: Any, info: ValidationInfo) -> Any:
        """A file's ``serial:`` and a form's blank field say nothing. A body says null where it means nothing."""
        if info.context not in {Door.FILE, Door.FORM} or not isinstance(given, dict):
            return given
        empty = {
            field.alias or name: [] if get_origin(field.annotation) is tuple else ""
            for name, field in cls.model_fields.items()
        }
        return {
            key: value
            for key, value in given.items()
            if key not in empty or (value is not None and value != empty[key])
        }

    @classmethod
    def describing(cls, registered: object) -> Self:
        """What is stored, as it would be described. It is not checked: rules may be stricter now than they were."""
        return cls.model_construct(**{name: getattr(registered, name) for name in cls.model_fields})


class Coded(Thing):
    code: Code = Field(description="the owner's own code of it, unique in the fleet")


class SiteBody(Thing):
    """A substation, plant or yard."""

    name: Line
    time_zone: Zone = Field(description="name of the IANA list, e.g. CET", examples=["CET"])

    def site(self, code: str) -> Site:
        return Site(**{**dict(self), "code": code})


class CompartmentBody(Thing):
    """One oil volume that is sampled by itself."""

    name: Line = Field(description="unique within the asset")
    kind: CompartmentKind = CompartmentKind.MAIN_TANK
    oil_volume_l: Volume | None = Field(default=None, description="[L]")


class AssetBody(Thing):
    """A transformer or reactor. Without compartments it gets one, ``main``; none is ever removed."""

    name: Line
    site_code: Code = Field(alias="site", description="code of the site it stands at")
    kind: AssetKind = AssetKind.TRANSFORMER
    serial: Line | None = Field(
        default=None, description="as on the nameplate; files may name the asset by it"
    )
    manufacturer: Line | None = None
    year_energized: Year | None = Field(default=None, description="chooses the age column of the norm")
    rated_kv: Annotated[float, Between(0.1, 2000, "kV")] | None = Field(default=None, description="[kV]")
    rated_mva: Annotated[float, Between(0.001, 5000, "MVA")] | None = Field(default=None, description="[MVA]")
    liquid: Liquid = Liquid.MINERAL_OIL
    paper: Paper = Field(
        default=Paper.UNKNOWN, description="what the conductors are wrapped in; furfural is read by it"
    )
    oil_volume_l: Volume | None = Field(default=None, description="[L]")
    preservation: Preservation = Field(
        default=Preservation.UNKNOWN, description="how the oil is kept from the air"
    )
    tap_changer: TapChanger = Field(
        default=TapChanger.UNKNOWN, description="whether it has oil of its own, or shares or exchanges it"
    )
    norm_set: Annotated[str, OneOf(lambda: NORM_SETS)] = Field(
        default=NORM_SETS[0], description="the published limits that judge it"
    )
    compartments: Annotated[tuple[CompartmentBody, ...], Entries(0, 50)] = ()

    def asset(self, code: str) -> tuple[Asset, tuple[Compartment, ...]]:
        """The asset and its compartments."""
        plate = {name: value for name, value in self if name != "compartments"}
        parts = tuple(Compartment(code, **dict(part)) for part in self.compartments)
        main = Compartment(code, MAIN, oil_volume_l=self.oil_volume_l)
        return Asset(**{**plate, "code": code}), parts or (main,)


class LaboratoryBody(Thing):
    """A laboratory whose files are read by a profile."""

    name: Line
    profile: Annotated[str, OneOf(profile_names)] = Field(description="name of the profile of its files")

    def source(self, code: str) -> Source:
        return Source(**{**dict(self), "code": code}, kind=SourceKind.LABORATORY)


class InstrumentBody(Thing):
    """An on-line gas monitor: the asset it is fitted to and the compartments it serves."""

    name: Line
    asset_code: Code = Field(alias="asset", description="code of the asset it is fitted to")
    compartments: Annotated[tuple[Line, ...], Entries(1, 50)] = Field(
        default=(MAIN,), description="names of the compartments it serves"
    )
    expected_interval_minutes: Annotated[int, Between(1, 527_040, "minutes")] | None = Field(
        default=None, description="how often it measures [min]; null: unknown"
    )
    posts_per_minute: Annotated[int, Between(0, 1_000_000)] | None = Field(
        default=None,
        description="posts it may make in a minute; 0: no limit, null: as the server's setting says",
    )

    def source(self, code: str) -> Source:
        return Source(**{**dict(self), "code": code}, kind=SourceKind.INSTRUMENT)


class ContactBody(Thing):
    """Somebody who is mailed about the alerts of some sites."""

    name: Line
    email: Email = Field(examples=["planner@example.org"])
    sites: Annotated[tuple[Code, ...], Entries(0, 1000)] = Field(default=(), description="codes of the sites")

    def contact(self, code: str) -> Contact:
        return Contact(**{**dict(self), "code": code})


class SiteEntry(SiteBody, Coded):
    """A site with its code."""


class AssetEntry(AssetBody, Coded):
    """An asset with its code."""

    @classmethod
    def describing_whole(cls, asset: Asset, parts: tuple[Compartment, ...]) -> Self:
        """:meth:`describing` for an asset and its compartments."""
        plate = {name: getattr(asset, name) for name in cls.model_fields if name != "compartments"}
        return cls.model_construct(
            **plate, compartments=tuple(CompartmentBody.describing(part) for part in parts)
        )


class LaboratoryEntry(LaboratoryBody, Coded):
    """A laboratory with its code."""


class InstrumentEntry(InstrumentBody, Coded):
    """An instrument with its code."""


class ContactEntry(ContactBody, Coded):
    """A contact with its code."""


class EventEntry(Thing):
    """Work on a compartment, or what befell it; some kinds begin a new baseline."""

    asset_code: Code = Field(alias="asset")
    compartment: Line = MAIN
    at: At
    kind: EventKind
    note: Note = ""

    def event(self) -> ServiceEvent:
        return ServiceEvent(**dict(self))


class LimitEntry(Thing):
    """The owner's limits of one quantity, of the fleet, a kind of asset, or one asset."""

    scope: LimitScope
    of: Note = Field(
        default="",
        validate_default=True,
        description="the kind of asset or the asset's code; of the fleet: nothing",
    )
    quantity: Annotated[str, OneOf(lambda: LIMITED)] = Field(description="a norm gas, or a test of the oil")
    typical: Gas | None = Field(default=None, description="in place of the milder published limit [its unit]")
    high: Gas | None = Field(
        default=None, validate_default=True, description="in place of the graver published limit [its unit]"
    )
    note: Note = ""
    compartment: CompartmentKind = Field(
        default=CompartmentKind.MAIN_TANK, description="the kind of compartment that it is for"
    )

    @field_validator("of")
    @classmethod
    def _fits_scope(cls, of: str, info: ValidationInfo) -> str:
        scope = info.data.get("scope")
        if scope is LimitScope.FLEET and of:
            raise ValueError("must be left out for the whole fleet")
        if scope in {LimitScope.KIND, LimitScope.ASSET} and not of:
            raise ValueError("is missing")
        if scope is LimitScope.KIND and of not in set(AssetKind):
            raise ValueError(not_one_of(of, AssetKind))
        return of

    @field_validator("high")
    @classmethod
    def _fits_typical(cls, high: float | None, info: ValidationInfo) -> float | None:
        if "typical" not in info.data:  # it is told already what is wrong with it
            return high
        typical = info.data["typical"]
        if typical is None and high is None:
            raise ValueError("give typical, high or both")
        if typical is None or high is None:
            return high
        if info.data.get("quantity") in LOW_IS_BAD:
            if high > typical:
                raise ValueError(f"must not be above typical ({typical:g}): the lower one is the graver")
        elif high < typical:
            raise ValueError(f"must not be below typical ({typical:g})")
        return high

    def limit(self) -> OwnerLimit:
        return OwnerLimit(**dict(self))


class StepEntry(Thing):
    """One of the owner's own steps of a grade."""

    urgency: Annotated[str, OneOf(lambda: RUNGS)]
    order: Annotated[int, Between(1, 99)] = Field(description="its place among the steps of the grade")
    text: Line
    days: Annotated[int, Between(0, 3660, "days")] = Field(description="counted from the sample [days]")

    def step(self) -> LadderStep:
        return LadderStep(**dict(self))


class FleetEntries(Thing):
    """A whole fleet file. What refers to something names what the file itself defines."""

    sites: tuple[SiteEntry, ...] = ()
    contacts: tuple[ContactEntry, ...] = ()
    laboratories: tuple[LaboratoryEntry, ...] = ()
    assets: tuple[AssetEntry, ...] = ()
    instruments: tuple[InstrumentEntry, ...] = ()
    service_events: tuple[EventEntry, ...] = ()
    limits: tuple[LimitEntry, ...] = ()
    actions: tuple[StepEntry, ...] = ()
