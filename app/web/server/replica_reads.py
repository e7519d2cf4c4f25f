"""Pages read the replica, where there is one; and whoever has just changed something sees it.

Only pages and files for people are read there: never /api, where programs read what they wrote, nor /health. After
a form the browser gets a cookie with the primary's log position; until the replica has replayed that much, this
browser's pages come from the primary.
"""

import re
from http.cookies import CookieError, SimpleCookie
from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from app.store.database import Database
from app.store.replica import may_be_stale
from app.store.trouble import STORE_ERRORS

COOKIE: Final = "ullage_seen"
KEPT_SECONDS: Final = 300
_POSITION = re.compile(r"[0-9A-F]{1,8}/[0-9A-F]{1,8}")
_FRESH: Final = ("/api/", "/health", "/metrics", "/static/")


class ReplicaReads:
    """Only to be added where there is a replica."""

    def __init__(self, app: ASGIApp, database: Database) -> None:
        self.app = app
        self._database = database

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["path"].startswith(_FRESH):
            await self.app(scope, receive, send)
        elif scope["method"] in {"GET", "HEAD"}:
            with may_be_stale(_position(Headers(scope=scope))):
                await self.app(scope, receive, send)
        else:
            await self.app(scope, receive, self._noting_position(send))

    def _noting_position(self, send: Send) -> Send:
        async def noting(message: Message) -> None:
            if message["type"] == "http.response.start" and message["status"] < 400:
                position = await run_in_threadpool(self._position)
                if position is not None:
                    cookie = f"{COOKIE}={position}; Path=/; Max-Age={KEPT_SECONDS}; HttpOnly; SameSite=Strict"
                    MutableHeaders(scope=message).append("Set-Cookie", cookie)
            await send(message)

        return noting

    def _position(self) -> str | None:
        try:
            return self._database.position()
        except STORE_ERRORS:
            return None  # what was asked for is done; the answer must say so


def _position(headers: Headers) -> str | None:
    try:
        morsel = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return None
    return morsel.value if morsel is not None and _POSITION.fullmatch(morsel.value) else None
