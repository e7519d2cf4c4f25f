"""What endpoints ask for: settings, the database, the time, and what the application keeps while it runs.

Nothing else reads ``app.state``, which ``create_app`` fills. What neither reads nor waits is ``async``: anything else
is handed to a thread and back for each request.
"""

from datetime import datetime
from typing import Annotated

from fastapi import Depends, Header, Request

from app.config import Settings
from app.services.recording.recorder import Recorder
from app.store.database import Database
from app.web.api.rate_limit import PostRate
from app.web.health.readings import Probes
from app.web.pages.upload_progress import UploadProgress
from app.web.server.clock import Clock
from app.web.server.stopping import Stopping


def database_of(request: Request) -> Database:
    """For what answers a request without being an endpoint, such as an error's page."""
    database: Database = request.app.state.database
    return database


def clock_of(request: Request) -> Clock:
    """See :func:`database_of`."""
    clock: Clock = request.app.state.clock
    return clock


async def _settings(request: Request) -> Settings:
    settings: Settings = request.app.state.settings
    return settings


async def _database(request: Request) -> Database:
    return database_of(request)


async def _clock(request: Request) -> Clock:
    return clock_of(request)


async def _now(request: Request) -> datetime:
    return clock_of(request)()


async def _recorder(request: Request) -> Recorder:
    recorder: Recorder = request.app.state.recorder
    return recorder


async def _post_rate(request: Request) -> PostRate:
    rate: PostRate = request.app.state.post_rate
    return rate


async def _upload_progress(request: Request) -> UploadProgress:
    progress: UploadProgress = request.app.state.upload_progress
    return progress


async def _probes(request: Request) -> Probes:
    probes: Probes = request.app.state.probes
    return probes


async def _stopping(request: Request) -> Stopping:
    stopping: Stopping = request.app.state.stopping
    return stopping


AppSettings = Annotated[Settings, Depends(_settings)]
Store = Annotated[Database, Depends(_database)]
Now = Annotated[datetime, Depends(_now)]
"""When the request came, aware, in UTC."""
AppClock = Annotated[Clock, Depends(_clock)]
"""For what is told after something took its time."""
AppRecorder = Annotated[Recorder, Depends(_recorder)]
AppPostRate = Annotated[PostRate, Depends(_post_rate)]
Progress = Annotated[UploadProgress, Depends(_upload_progress)]
AppProbes = Annotated[Probes, Depends(_probes)]
AppStopping = Annotated[Stopping, Depends(_stopping)]
Part = Annotated[str | None, Header(alias="hx-target")]
"""The part of the page that htmx asks for; None for the whole page."""
