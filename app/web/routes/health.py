"""``GET /health``: can the service store samples, and does its mail get out? For monitoring systems."""

from datetime import UTC, datetime

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse
from pydantic import BaseModel

from app.services.pulse import database_trouble, read_pulse

router = APIRouter(tags=["health"])


class Health(BaseModel):
    """``status`` is ``ok`` when the worker is alive and no mail is late or failed, else ``degraded``."""

    status: str
    database: str
    worker_heartbeat_age_seconds: float | None
    queued_messages: int
    oldest_unsent_message_age_seconds: float | None
    failed_messages: int


@router.get("/health", response_model=Health)
def health(request: Request) -> JSONResponse:
    """Answers 200 while the database answers, else 503; what is wrong with the mail is in the body."""
    trouble = database_trouble(request.app.state.database)
    if trouble:
        return JSONResponse({"status": "down", "database": trouble}, 503)
    pulse = read_pulse(request.app.state.database, datetime.now(UTC))
    well = pulse.alive and not pulse.late and not pulse.failed
    found = Health(
        status="ok" if well else "degraded",
        database="ok",
        worker_heartbeat_age_seconds=_rounded(pulse.heartbeat_age_seconds),
        queued_messages=pulse.queued,
        oldest_unsent_message_age_seconds=_rounded(pulse.oldest_unsent_age_seconds),
        failed_messages=pulse.failed,
    )
    return JSONResponse(found.model_dump())


def _rounded(seconds: float | None) -> float | None:
    return None if seconds is None else round(seconds, 1)
