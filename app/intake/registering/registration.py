"""Bodies that register one thing of the fleet as JSON, and the same shapes for reading it back."""

from collections.abc import Callable
from datetime import datetime
from typing import Annotated, Any, TypeVar

from pydantic import AfterValidator, BaseModel, Field, ValidationError

from app.domain.judging.norms import NORM_SETS
from app.domain.model import (
    Asset,
    AssetKind,
    Compartment,
    CompartmentKind,
    Contact,
    Liquid,
    Preservation,
    Site,
    Source,
    SourceKind,
    TapChanger,
)
from app.intake.files.profile import profile_names
from app.intake.iso_time import iso_time
from app.intake.registering.fleet_file import CODE, FIRST_YEAR, LAST_YEAR, email, time_zone
from app.intake.strict_json import Strict, key_name, refuse_repeated_keys

CODE_PATTERN = f"^{CODE.pattern}$"


class BadRegistration(ValueError):  # noqa: N818 - the name says what it is
    """The body cannot be taken.

    Attributes:
        errors: (field, reason) of each thing wrong.
        readable: False when it is not JSON at all.
    """

    def __init__(self, errors: list[tuple[str, str]], readable: bool = True) -> None:
        super().__init__("; ".join(f"{field}: {reason}" for field, reason in errors[:5]))
        self.errors = errors
        self.readable = readable


def _one_line(text: str) -> str:
    if not text.isprintable() or text != text.strip():
        raise ValueError("must be one line without control characters and without spaces at its ends")
    return text


def moment_of(text: str | None) -> datetime | None:
    """The UTC time of a :data:`Moment` that was checked."""
    return None if text is None else iso_time(text)


def _moment(text: str) -> str:
    if not FIRST_YEAR <= iso_time(text).year <= LAST_YEAR:
        raise ValueError(f"must be in the years {FIRST_YEAR} to {LAST_YEAR}")
    return text


def _one_of(known: Callable[[], list[str]]) -> Callable[[str], str]:
    def check(text: str) -> str:
        if text not in known():
            raise ValueError(f"must be one of {', '.join(known())}")
        return text

    return check


Line = Annotated[str, Field(min_length=1, max_length=500), AfterValidator(_one_line)]
Code = Annotated[str, Field(pattern=CODE_PATTERN)]
Zone = Annotated[str, Field(max_length=100), AfterValidator(time_zone)]
Email = Annotated[str, AfterValidator(email)]
Moment = Annotated[
    str,
    Field(max_length=40, json_schema_extra={"format": "date-time"}, examples=["2026-03-01T06:00:00Z"]),
    AfterValidator(_moment),
]
"""A time with an offset; :func:`moment_of` makes a datetime of it."""
Volume = Annotated[float, Field(ge=1, le=1_000_000, allow_inf_nan=False, description="[L]")]


class SiteBody(Strict):
    """A substation, plant or yard."""

    name: Line
    time_zone: Zone = Field(description="name of the IANA list, e.g. CET", examples=["CET"])

    def site(self, code: str) -> Site:
        return Site(code, self.name, self.time_zone)

    @classmethod
    def of(cls, site: Site) -> dict[str, Any]:
        return {"code": site.code, "name": site.name, "time_zone": site.time_zone}


class CompartmentBody(Strict):
    """One oil volume that is sampled by itself."""

    name: Line
    kind: CompartmentKind = CompartmentKind.MAIN_TANK
    oil_volume_l: Volume | None = None


class AssetBody(Strict):
    """A transformer or reactor. Without compartments it gets one, ``main``; none is ever removed."""

    name: Line
    site: Code
    kind: AssetKind = AssetKind.TRANSFORMER
    serial: Line | None = None
    manufacturer: Line | None = None
    year_energized: int | None = Field(default=None, ge=FIRST_YEAR, le=LAST_YEAR)
    rated_kv: float | None = Field(default=None, ge=0.1, le=2000, allow_inf_nan=False)
    rated_mva: float | None = Field(default=None, ge=0.001, le=5000, allow_inf_nan=False)
    liquid: Liquid = Liquid.MINERAL_OIL
    oil_volume_l: Volume | None = None
    preservation: Preservation = Preservation.UNKNOWN
    tap_changer: TapChanger = TapChanger.UNKNOWN
    norm_set: Annotated[str, AfterValidator(_one_of(lambda: list(NORM_SETS)))] = NORM_SETS[0]
    compartments: list[CompartmentBody] = Field(default_factory=list, max_length=50)

    def asset(self, code: str) -> tuple[Asset, tuple[Compartment, ...]]:
        """The asset and its compartments."""
        plate = {name: getattr(self, name) for name in type(self).model_fields if name not in _NOT_PLATE}
        parts = tuple(
            Compartment(code, part.name, part.kind, part.oil_volume_l) for part in self.compartments
        )
        main = Compartment(code, "main", oil_volume_l=self.oil_volume_l)
        return Asset(code=code, site_code=self.site, **plate), parts or (main,)

    @classmethod
    def of(cls, asset: Asset, parts: tuple[Compartment, ...]) -> dict[str, Any]:
        told = {name: getattr(asset, name) for name in cls.model_fields if name not in _NOT_PLATE}
        compartments = [
            CompartmentBody.model_construct(name=p.name, kind=p.kind, oil_volume_l=p.oil_volume_l)
            for p in parts
        ]
        return {"code": asset.code, "site": asset.site_code, **told, "compartments": compartments}


_NOT_PLATE = frozenset({"site", "compartments"})


class LaboratoryBody(Strict):
    """A laboratory whose files are read by a profile."""

    name: Line
    profile: Annotated[str, AfterValidator(_one_of(profile_names))] = Field(
        description="name of the profile of its files"
    )

    def source(self, code: str) -> Source:
        return Source(code, self.name, SourceKind.LABORATORY, profile=self.profile)

    @classmethod
    def of(cls, source: Source) -> dict[str, Any]:
        return {"code": source.code, "name": source.name, "profile": source.profile or ""}


class InstrumentBody(Strict):
    """An on-line gas monitor: the asset it is fitted to and the compartments it serves."""

    name: Line
    asset: Code
    compartments: list[Line] = Field(default_factory=lambda: ["main"], min_length=1, max_length=50)
    expected_interval_minutes: int | None = Field(default=None, ge=1, le=527_040)
    posts_per_minute: int | None = Field(
        default=None,
        ge=0,
        le=1_000_000,
        description="posts it may make in a minute; 0: no limit, null: as the server's setting says",
    )

    def source(self, code: str) -> Source:
        return Source(
            code,
            self.name,
            SourceKind.INSTRUMENT,
            self.asset,
            tuple(self.compartments),
            self.expected_interval_minutes,
            posts_per_minute=self.posts_per_minute,
        )

    @classmethod
    def of(cls, source: Source) -> dict[str, Any]:
        return {
            "code": source.code,
            "name": source.name,
            "asset": source.asset_code or "",
            "compartments": list(source.compartments),
            "expected_interval_minutes": source.expected_interval_minutes,
            "posts_per_minute": source.posts_per_minute,
        }


class ContactBody(Strict):
    """Somebody who is mailed about the alerts of some sites."""

    name: Line
    email: Email = Field(examples=["planner@example.org"])
    sites: list[Code] = Field(default_factory=list, max_length=1000)

    def contact(self, code: str) -> Contact:
        return Contact(code, self.name, self.email, tuple(self.sites))

    @classmethod
    def of(cls, contact: Contact) -> dict[str, Any]:
        return {
            "code": contact.code,
            "name": contact.name,
            "email": contact.email,
            "sites": list(contact.sites),
        }


class KeyBody(Strict):
    """A new key. All of it may be left out."""

    label: Line | None = Field(default=None, description="what people call it", examples=["gateway 2026"])
    expires_at: Moment | None = Field(default=None, description="when it ends; null: when it is revoked")
    overlap_hours: float | None = Field(
        default=None,
        ge=0,
        le=8784,
        allow_inf_nan=False,
        description="rotation: the older good keys of the instrument end after so many hours; null: they stay",
    )


class SpellBody(Strict):
    """Maintenance of an instrument. Without ``begins_at`` it begins now; without ``ends_at`` somebody ends it."""

    author: Line
    note: Line
    begins_at: Moment | None = None
    ends_at: Moment | None = None


class SiteRecord(SiteBody):
    code: str


class AssetRecord(AssetBody):
    code: str


class LaboratoryRecord(LaboratoryBody):
    code: str
    profile: str


class InstrumentRecord(InstrumentBody):
    code: str


class ContactRecord(ContactBody):
    code: str


B = TypeVar("B", bound=BaseModel)


def parse_registration(body: bytes, kind: type[B]) -> B:
    """A posted body as one of the bodies above.

    Raises:
        BadRegistration: with every field that is wrong.
        BadPayload: when a key stands twice.
    """
    try:
        parsed = kind.model_validate_json(body)
    except ValidationError as error:
        found = error.errors(include_url=False)
        raise BadRegistration(
            [(_place(e["loc"]), e["msg"].removeprefix("Value error, ")) for e in found],
            readable=found[0]["type"] != "json_invalid",
        ) from None
    refuse_repeated_keys(body)
    return parsed


def _place(loc: tuple[int | str, ...]) -> str:
    text = "".join(f"[{part}]" if isinstance(part, int) else f".{key_name(part)}" for part in loc)
    return text.lstrip(".") or "body"
