"""``POST /api/v1/samples``: instruments post what they measured. Registering and reading: see
``api_register`` and ``api_read``."""

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends
from pydantic import BaseModel, Field

from app.domain.model import Rejection, Source
from app.intake.payloads import EXAMPLE, BadPayload, batch_schema, parse_samples
from app.services.record_samples import Outcome, RecordContext, record_samples
from app.web.dependencies import AppSettings, Now, Store, instrument_body, posting_instrument
from app.web.problems import Problem, responses
from app.web.routes import api_read, api_register

router = APIRouter(prefix="/api/v1")
router.include_router(api_register.router)
router.include_router(api_read.router)

_STATUS_OF = {"not_json": 400, "too_many": 413, "invalid": 422}


class SampleOutcome(BaseModel):
    """What became of one posted sample. What is "stored" is on disk, assessed, and its mail is queued."""

    result: Literal["stored", "already_known", "revised", "rejected"] = Field(
        description="stored: new. already_known: posted before with the same readings, nothing changed."
        " revised: posted before with other readings, the newest count now. rejected: see field and reason."
    )
    sample_id: int | None = None
    field: str | None = Field(default=None, examples=["samples[3].h2"])
    reason: str | None = None


class Outcomes(BaseModel):
    """One outcome for each sample, in the order they were posted."""

    outcomes: list[SampleOutcome]


_BODY: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {"application/json": {"schema": batch_schema(), "example": EXAMPLE}},
    }
}


@router.post(
    "/samples",
    tags=["samples"],
    summary="Post samples",
    response_model=Outcomes,
    response_model_exclude_none=True,
    responses=responses(400, 401, 403, 413, 415, 422),
    openapi_extra=_BODY,
)
def post_samples(
    source: Annotated[Source, Depends(posting_instrument)],
    body: Annotated[bytes, Depends(instrument_body)],
    database: Store,
    settings: AppSettings,
    at: Now,
) -> Outcomes:
    """Post samples with the instrument's own key.

    Samples that can be taken are stored even when others beside them are rejected; a batch of which none can
    be taken is answered with 422. Posting the same sample again does no harm.
    """
    try:
        batch = parse_samples(body, source, at)
    except BadPayload as error:
        raise Problem(_STATUS_OF[error.problem], str(error), [(error.field, error.reason)]) from None
    if not all(isinstance(item, Rejection) for item in batch):
        outcomes = record_samples(database, source.code, batch, at, RecordContext(settings.public_url))
    else:
        outcomes = [Outcome("rejected", None, r.field, r.reason) for r in batch if isinstance(r, Rejection)]
    rejected = [(o.field or "", o.reason or "") for o in outcomes if o.result == "rejected"]
    if len(rejected) == len(outcomes):
        raise Problem(422, _refused(rejected), rejected)
    return Outcomes(
        outcomes=[
            SampleOutcome(result=o.result, sample_id=o.sample_id, field=o.field, reason=o.reason)
            for o in outcomes
        ]
    )


def _refused(rejected: list[tuple[str, str]]) -> str:
    if len(rejected) == 1:
        return f"{rejected[0][0]}: {rejected[0][1]}"
    return f"None of the {len(rejected)} samples can be taken. The first: {rejected[0][0]}: {rejected[0][1]}"
