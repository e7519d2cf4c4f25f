"""``/health`` and its probes, and ``/metrics``: what monitoring systems and load balancers ask.

They answer in bounded time and from a thread of their own, also when the database hangs and every other thread with it.
"""

from secrets import compare_digest
from typing import Annotated, Any, Final, Literal

from fastapi import APIRouter, Query, Response, Security
from fastapi.responses import JSONResponse
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer
from pydantic import BaseModel, Field

from app.services.health.vital_signs import (
    PARTS,
    Part,
    Sign,
    signs,
    trouble_signs,
)
from app.services.health.vital_signs import age as age_of
from app.store.health.view_health import DatabaseTroubleError, connections
from app.web.dependencies import AppClock, AppProbes, AppSettings, AppStopping, Store
from app.web.health.readings import PATIENCE_SECONDS
from app.web.server import metrics
from app.web.server.problems import Problem, responses

router = APIRouter(tags=["health"])
_NO_ANSWER: Final = f"no answer within {PATIENCE_SECONDS:g} s"


class Health(BaseModel):
    """``status`` is ``ok`` when the worker is alive and no mail is late or failed, else ``degraded``."""

    status: str
    database: str
    worker_heartbeat_age_seconds: float | None
    queued_messages: int
    oldest_unsent_message_age_seconds: float | None
    failed_messages: int


class Down(BaseModel):
    """The database does not answer; ``database`` says how."""

    status: Literal["down"]
    database: str


class Alive(BaseModel):
    """The process answers."""

    status: Literal["alive"]


class PartSaid(BaseModel):
    """How one part is."""

    well: bool
    says: str


class Readiness(BaseModel):
    """``ready`` when all parts that were asked for are well; else ``not_ready``, and ``not_well`` names which."""

    status: Literal["ready", "not_ready"]
    not_well: list[str]
    parts: dict[str, PartSaid] = Field(examples=[{"database": {"well": True, "says": "answers"}}])


@router.get("/health", responses={503: {"description": "The database does not answer", "model": Down}})
async def health(response: Response, probes: AppProbes, clock: AppClock) -> Health | Down:
    """Answers 200 while the database answers, else 503; what is wrong with the mail is in the body."""
    try:
        vitals = await probes.vitals.ask()
    except (TimeoutError, DatabaseTroubleError) as error:
        response.status_code = 503
        return Down(status="down", database=_told(error))
    now = clock()
    said = signs(vitals, now, own_worker=True)
    well = said["worker"].well and said["mail"].well and not vitals.failed
    return Health(
        status="ok" if well else "degraded",
        database="ok",
        worker_heartbeat_age_seconds=_rounded(age_of(vitals.heartbeat_at, now)),
        queued_messages=vitals.queued,
        oldest_unsent_message_age_seconds=_rounded(age_of(vitals.oldest_queued_at, now)),
        failed_messages=vitals.failed,
    )


@router.get("/health/live")
async def live() -> Alive:
    """The process answers. It asks nobody else: start it again only when this fails."""
    return Alive(status="alive")


@router.get(
    "/health/ready",
    response_model=Readiness,
    responses={
        503: {"description": "Not ready, or about to end; `not_well` says why", "model": Readiness},
        **responses(422),
    },
)
async def ready(
    settings: AppSettings,
    probes: AppProbes,
    stopping: AppStopping,
    clock: AppClock,
    only: Annotated[
        list[Part], Query(description="parts to judge by, all when none is named", max_length=len(PARTS))
    ] = [],  # noqa: B006 - FastAPI copies it
) -> JSONResponse:
    """Is the service well? 200, or 503 with the parts that are not.

    A load balancer asks with `?only=database&only=schema`: a mail server that is down must keep no instrument out.
    A server that was told to end says 503 at once, whatever is asked.
    """
    try:
        vitals = await probes.vitals.ask()
    except (TimeoutError, DatabaseTroubleError) as error:
        said = trouble_signs(_told(error))
    else:
        said = signs(vitals, clock(), own_worker=settings.embedded_worker)
    asked: dict[str, Sign] = {part: sign for part, sign in said.items() if part in (only or PARTS)}
    if stopping.asked:
        asked["server"] = Sign(False, "was told to end; it finishes what is under way")
    return _readiness(asked)


def _readiness(said: dict[str, Sign]) -> JSONResponse:
    not_well = [part for part, sign in said.items() if not sign.well]
    body: dict[str, Any] = {
        "status": "not_ready" if not_well else "ready",
        "not_well": not_well,
        "parts": {part: {"well": sign.well, "says": sign.says} for part, sign in said.items()},
    }
    return JSONResponse(body, 503 if not_well else 200)


_bearer = HTTPBearer(auto_error=False, scheme_name="metrics token", description="ULLAGE_METRICS_TOKEN")


@router.get(
    "/metrics",
    response_class=Response,
    responses={
        200: {"description": "Prometheus's text format", "content": {"text/plain": {}}},
        **responses(401, s401="No token, or another than the one of the settings."),
    },
)
async def get_metrics(
    shown: Annotated[HTTPAuthorizationCredentials | None, Security(_bearer)],
    settings: AppSettings,
    database: Store,
    probes: AppProbes,
    clock: AppClock,
) -> Response:
    """Figures for Prometheus. When the database does not answer in time, its figures are left out."""
    wanted = settings.metrics_token.get_secret_value()
    if wanted and not (shown and compare_digest(shown.credentials.encode(), wanted.encode())):
        detail = "Give the token of ULLAGE_METRICS_TOKEN in the header 'Authorization: Bearer TOKEN'."
        raise Problem(401, detail, headers={"WWW-Authenticate": 'Bearer realm="ullage metrics"'})
    try:
        figures = await probes.figures.ask()
    except (TimeoutError, DatabaseTroubleError):
        figures = None
    metrics.observe_connections(*connections(database))
    body = metrics.exposition(figures, clock(), database.url.get_backend_name())
    return Response(body, media_type=metrics.CONTENT_TYPE)


def _told(error: Exception) -> str:
    return _NO_ANSWER if isinstance(error, TimeoutError) else str(error)


def _rounded(seconds: float | None) -> float | None:
    return None if seconds is None else round(seconds, 1)
