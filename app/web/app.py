"""The web application: pages, programming interface, static files and the headers around them."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from fastapi import FastAPI

from app.config import Settings
from app.services.recording.recorder import Recorder
from app.store.database import Database
from app.web.api import samples as api
from app.web.api.rate_limit import PostRate
from app.web.health import probes as health
from app.web.health.readings import Probes
from app.web.pages import about as pages_about
from app.web.pages import alerts as pages_alerts
from app.web.pages import asset as pages_asset
from app.web.pages import exports
from app.web.pages import file as pages_file
from app.web.pages import fleet as pages_fleet
from app.web.pages import help as pages_help
from app.web.pages import instrument as pages_instrument
from app.web.pages import instruments as pages_instruments
from app.web.pages import mail as pages_mail
from app.web.pages import mapping as pages_mapping
from app.web.pages import sample as pages_sample
from app.web.pages import upload as pages_upload
from app.web.pages.upload_progress import UploadProgress
from app.web.server import metrics, problems, store_trouble
from app.web.server.clock import Clock, utc_now
from app.web.server.hosts import AllowedHosts, allowed_hosts
from app.web.server.replica_reads import ReplicaReads
from app.web.server.request_log import RequestLog
from app.web.server.security import SameSiteForms, SecurityHeaders
from app.web.server.static_files import HashedStaticFiles
from app.web.server.stopping import Stopping


def create_app(settings: Settings, database: Database, clock: Clock = utc_now) -> FastAPI:
    """The application over a migrated database. What ``app.web.dependencies`` hands out is kept on ``app.state``."""
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
    app.state.post_rate = PostRate(settings.posts_per_minute, settings.app_workers)
    app.state.upload_progress = UploadProgress()
    app.state.probes = Probes(database, clock)
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
        pages_help,
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
