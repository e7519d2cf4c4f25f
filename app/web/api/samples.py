"""``POST /api/v1/samples``: instruments post what they measured. Registering and reading: see
``api_register`` and ``api_read``."""

import json
from time import perf_counter
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Response
from pydantic import BaseModel, Field

from app.domain.model import SetAside
from app.intake.recording.payloads import EXAMPLE, BadPayload, batch_schema, parse_columns
from app.services.recording.outcomes import Outcome
from app.store.registering.source_lookup import StoredSource
from app.web.api import read as api_read
from app.web.api import register as api_register
from app.web.api.callers import instrument_body, posting_instrument
from app.web.dependencies import AppRecorder, AppSettings, Now
from app.web.server import metrics
from app.web.server.problems import Problem, responses

router = APIRouter(prefix="/api/v1")

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
    set_aside: SetAside | None = Field(
        default=None, description="stored or revised, but kept without being judged, for the reason given"
    )


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
    responses=responses(400, 401, 403, 413, 415, 422, 429),
    openapi_extra=_BODY,
)
def post_samples(
    source: Annotated[StoredSource, Depends(posting_instrument)],
    body: Annotated[bytes, Depends(instrument_body)],
    settings: AppSettings,
    recorder: AppRecorder,
    at: Now,
) -> Response:
    """Post samples with the instrument's own key.

    Samples that can be taken are stored even when others beside them are rejected; a batch of which none can
    be taken is answered with 422. Posting the same sample again does no harm.
    """
    try:
        columns = parse_columns(body, source.source, at, settings.clock_rule)
    except BadPayload as error:
        raise Problem(_STATUS_OF[error.problem], str(error), [(error.field, error.reason)]) from None
    if not len(columns):
        raise _none_taken([(one.field, one.reason) for one in columns.rejections])
    began = perf_counter()
    outcomes = recorder.record(source, columns, at)
    metrics.observe_record(perf_counter() - began)
    if all(o.result == "rejected" for o in outcomes):
        raise _none_taken([(o.field or "", o.reason or "") for o in outcomes])
    metrics.count_outcomes("set_aside" if o.set_aside else o.result for o in outcomes)
    # as it is: to be looked at by a model once more would take longer than storing them
    return Response(json.dumps({"outcomes": [_told(o) for o in outcomes]}), media_type="application/json")


def _told(outcome: Outcome) -> dict[str, str | int]:
    if outcome.result == "rejected":
        return {"result": "rejected", "field": outcome.field or "", "reason": outcome.reason or ""}
    told: dict[str, str | int] = {"result": outcome.result, "sample_id": outcome.sample_id or 0}
    if outcome.set_aside is not None:
        told |= {"set_aside": outcome.set_aside.value, "reason": _NOT_JUDGED[outcome.set_aside]}
    return told


_NOT_JUDGED = {
    SetAside.MAINTENANCE: "kept, not judged: the instrument was in maintenance at that time",
    SetAside.CLOCK_AHEAD: "kept, not judged: it is dated ahead of the server's clock; check the instrument's clock",
    SetAside.ANCIENT: "kept, not judged: it is dated so long ago that the instrument's clock is doubted",
}


def _none_taken(rejected: list[tuple[str, str]]) -> Problem:
    metrics.count_outcomes(["rejected"] * len(rejected))
    return Problem(422, _refused(rejected), rejected)


def _refused(rejected: list[tuple[str, str]]) -> str:
    if len(rejected) == 1:
        return f"{rejected[0][0]}: {rejected[0][1]}"
    return f"None of the {len(rejected)} samples can be taken. The first: {rejected[0][0]}: {rejected[0][1]}"


# behind the samples: routes are tried in order, and nearly all requests are posts
router.include_router(api_register.router)
router.include_router(api_read.router)
