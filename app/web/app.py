"""The web application: pages, programming interface, static files and the headers around them."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from fastapi import FastAPI

from app.config import Settings
from app.services.recorder import Recorder
from app.store.database import Database
from app.web import metrics, problems, store_trouble
from app.web.clock import Clock, utc_now
from app.web.hosts import AllowedHosts, allowed_hosts
from app.web.replica_reads import ReplicaReads
from app.web.request_log import RequestLog
from app.web.routes import (
    api,
    exports,
    health,
    pages_about,
    pages_alerts,
    pages_asset,
    pages_file,
    pages_fleet,
    pages_instrument,
    pages_instruments,
    pages_mail,
    pages_mapping,
    pages_sample,
    pages_upload,
)
from app.web.security import SameSiteForms, SecurityHeaders
from app.web.static_files import HashedStaticFiles
from app.web.stopping import Stopping
from app.web.upload_progress import UploadProgress


def create_app(settings: Settings, database: Database, clock: Clock = utc_now) -> FastAPI:
    """The application over a migrated database. All three are kept on ``app.state`` for the endpoints."""
    app = FastAPI(
        title="Ullage",
        description="Dissolved gas trend analysis for oil-filled transformers and reactors.",
        docs_url=None,  # the interactive page would load scripts from another host
        redoc_url=None,
        openapi_url="/api/openapi.json",
        lifespan=_lifespan,
    )
    app.state.settings = settings
    app.state.database = database
    app.state.clock = clock
    app.state.recorder = Recorder(database, settings.public_url, observe=metrics.observe_group)
    app.state.upload_progress = UploadProgress()
    app.state.probes = health.Probes(database, clock)
    app.state.stopping = Stopping(settings.drain_seconds, settings.shutdown_seconds)
    problems.install(app)
    store_trouble.install(app)
    app.include_router(api.router, responses=problems.responses(503, s503=store_trouble.DESCRIPTION))
    app.include_router(health.router)
    for pages in (
        pages_fleet,
        pages_asset,
        pages_sample,
        pages_alerts,
        pages_instruments,
        pages_instrument,
        pages_upload,
        pages_mapping,
        pages_file,
        exports,
        pages_mail,
        pages_about,
    ):
        app.include_router(pages.router, include_in_schema=False)
    app.mount("/static", HashedStaticFiles(), name="static")
    if settings.read_database_url:
        app.add_middleware(ReplicaReads, database=database)
    app.add_middleware(SameSiteForms)
    app.add_middleware(AllowedHosts, allowed=allowed_hosts(settings))
    app.add_middleware(SecurityHeaders)
    app.add_middleware(RequestLog, database=database)  # outermost: it sees every answer
    return app


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    stopping: Stopping = app.state.stopping
    with stopping.watching_signals():
        yield
