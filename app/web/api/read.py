"""Reading samples and what is said of them over HTTP with a registrar's key."""

from datetime import UTC, datetime, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Path, Query
from pydantic import BaseModel, Field

from app.domain.model import Reading
from app.intake.iso_time import iso_time
from app.intake.registering.fields import CODE_PATTERN
from app.intake.validate import ImpossibleError
from app.services.exporting.read_samples import PageQuery, PlacedSample, read_newest, read_page, read_sample
from app.services.pages.missing_sample import why_missing
from app.web.api.callers import registrar
from app.web.dependencies import Store
from app.web.inputs.parameters import LARGEST_ID, RowId
from app.web.server.problems import Problem, responses

router = APIRouter(tags=["reading"], dependencies=[Depends(registrar)])

Code = Annotated[str, Path(pattern=CODE_PATTERN, description="the owner's code of the asset")]
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class BelowLimit(BaseModel):
    """Below this detection limit."""

    below: float


class StoredSample(BaseModel):
    """A sample as it counts, with the short form of what is said of it."""

    id: int
    asset: str
    compartment: str
    source: str
    source_kind: str
    taken_at: datetime
    received_at: datetime
    revision: int = Field(description="1, and one more for each correction")
    current: bool = Field(description="false once a correction came")
    excluded_because: str | None = Field(description="given when somebody took the sample out of the record")
    laboratory_number: str | None
    remark: str | None
    readings: dict[str, float | BelowLimit] = Field(
        description="by quantity, in its unit: gas µL/L at 0 °C and 101.325 kPa, water mg/kg, temperature °C",
        examples=[{"h2": 41.2, "c2h2": {"below": 0.5}}],
    )
    status: int | None = Field(description="DGA status 1-3, or null where it cannot be had")
    suspect: bool | None = Field(description="true: a confirmation sample is asked for")
    fault: str | None = Field(description="code of the fault that the pattern suggests")


class AssessedSample(StoredSample):
    """A sample with all that is said of it: methods, rates, findings, each with its evidence and source."""

    assessment: dict[str, Any] | None = Field(
        description="`course`: where the record has come to, with `state` and `gravity`; of a reading that of its"
        " instrument's days, looked at once a day, as of the day `as_of`"
    )


class Page(BaseModel):
    """Samples, oldest first. Ask again with ``cursor`` for more; null: there are no more."""

    samples: list[StoredSample]
    next_cursor: str | None


_RESPONSES = responses(401, 403, 404, 422)


@router.get("/assets/{code}/samples", summary="An asset's samples", responses=_RESPONSES)
def get_samples(
    code: Code,
    database: Store,
    start: Annotated[str | None, Query(alias="from", description="taken at or after, ISO 8601")] = None,
    to: Annotated[str | None, Query(description="taken before, ISO 8601")] = None,
    limit: Annotated[int, Query(ge=1, le=1000)] = 200,
    cursor: Annotated[str | None, Query(max_length=60, description="next_cursor of the page before")] = None,
) -> Page:
    """Current samples of all compartments of an asset, oldest first, a page at a time."""
    query = PageQuery(_time("from", start), _time("to", to), _position(cursor), limit)
    page = read_page(database, code, query)
    if page is None:
        raise Problem(404, f"No asset has the code {code}.")
    after = None
    if page.next_position is not None:
        at, sample_id = page.next_position
        after = f"{(at - _EPOCH) // timedelta(microseconds=1)}-{sample_id}"
    return Page(samples=[StoredSample(**_told(placed)) for placed in page.samples], next_cursor=after)


@router.get("/samples/{sample_id}", summary="One sample with its assessment", responses=_RESPONSES)
def get_sample(sample_id: RowId, database: Store) -> AssessedSample:
    """A sample by its id, with the assessment that counts."""
    placed = read_sample(database, sample_id)
    if placed is None:
        raise Problem(404, why_missing(database, sample_id))
    return _assessed(placed)


@router.get("/assets/{code}/assessment", summary="What is said of an asset now", responses=_RESPONSES)
def get_assessment(code: Code, database: Store) -> list[AssessedSample]:
    """The newest sample of every source in every compartment of an asset, with its assessment."""
    found = read_newest(database, code)
    if found is None:
        raise Problem(404, f"No asset has the code {code}.")
    return [_assessed(placed) for placed in found]


def _time(name: str, text: str | None) -> datetime | None:
    if text is None:
        return None
    try:
        return iso_time(text)
    except ImpossibleError as error:
        hint = "" if "+" in text or " " not in text else " (write + as %2B in an address)"
        raise Problem(422, f"query.{name}: {error}{hint}", [(f"query.{name}", f"{error}{hint}")]) from None


def _position(cursor: str | None) -> tuple[datetime, int] | None:
    if cursor is None:
        return None
    try:
        micros, sample_id = (int(part) for part in cursor.split("-"))
        at = _EPOCH + timedelta(microseconds=micros)
        if not 0 <= sample_id <= LARGEST_ID:
            raise ValueError
    except (ValueError, OverflowError):
        reason = "is not a cursor; take it from next_cursor of the page before, or leave it out"
        raise Problem(422, f"query.cursor: {reason}", [("query.cursor", reason)]) from None
    return at, sample_id


def _told(placed: PlacedSample) -> dict[str, Any]:
    sample = placed.sample
    return {
        "id": sample.id,
        "asset": placed.asset.code,
        "compartment": placed.compartment.name,
        "source": sample.source_code,
        "source_kind": sample.source_kind.value,
        "taken_at": sample.taken_at,
        "received_at": sample.received_at,
        "revision": sample.revision,
        "current": sample.current,
        "excluded_because": sample.excluded_because,
        "laboratory_number": sample.laboratory_number,
        "remark": sample.remark,
        "readings": {name: _number(reading) for name, reading in sample.readings.items()},
        "status": sample.status,
        "suspect": sample.suspect if sample.rule_set else None,
        "fault": sample.fault,
    }


def _number(reading: Reading) -> float | dict[str, float]:
    return reading.value if reading.value is not None else {"below": reading.number}


def _assessed(placed: PlacedSample) -> AssessedSample:
    said = placed.sample.assessment
    return AssessedSample(**_told(placed), assessment=said.to_json() if said else None)
