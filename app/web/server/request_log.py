"""A request id for every request, one line of log and the figures of the metrics for every answer.

The id is in the header ``X-Request-ID`` of the answer, in problem details, on error pages, and in every line that is
logged on the way, in endpoints that run in a thread too.
"""

import logging
import re
import secrets
from time import perf_counter
from typing import Any, Final

import structlog
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from app.store.database import Database
from app.store.health.view_health import connections
from app.web.server import metrics

HEADER: Final = b"x-request-id"
_GIVEN: Final = re.compile(rb"[A-Za-z0-9._:/+=@-]{1,100}")
_KEY: Final = re.compile(r"ull_[\w-]+")
_LONGEST_PATH: Final = 200
_OFTEN_ASKED: Final = ("/health", "/metrics", "/static")
"""Probes, scrapes and stylesheets that are answered well are told at level DEBUG only."""
LOG = structlog.get_logger("ullage.request")
_STANDARD: Final = logging.getLogger("ullage.request")
"""Where those lines go; its level is asked before a line is made."""


class RequestLog:
    """The outermost layer of the application, in plain ASGI: it must cost next to nothing."""

    def __init__(self, app: ASGIApp, database: Database) -> None:
        self.app = app
        self.database = database

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        request_id = _given(scope) or secrets.token_hex(8)
        # the same mapping as request.state: the endpoint says there which instrument it is
        state = scope.setdefault("state", {})
        state["request_id"] = request_id
        bound = structlog.contextvars.bind_contextvars(request_id=request_id)
        answer = _Answer(send, request_id.encode("ascii"))
        began = perf_counter()
        try:
            await self.app(scope, receive, answer.send)
        except Exception:
            answer.status = answer.status or 500  # what the layer around all others answers
            raise
        finally:
            metrics.observe_connections(*connections(self.database))
            _tell(scope, answer, perf_counter() - began)
            structlog.contextvars.reset_contextvars(**bound)


class _Answer:
    """What goes out, with the id among its headers."""

    def __init__(self, send: Send, request_id: bytes) -> None:
        self._send = send
        self._request_id = request_id
        self.status: int | None = None
        """None: the request ended without an answer."""
        self.size = 0

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.status = message["status"]
            message["headers"] = [*message.get("headers", ()), (HEADER, self._request_id)]
        elif message["type"] == "http.response.body":
            self.size += len(message.get("body", b""))
        await self._send(message)


def _given(scope: Scope) -> str | None:
    """The caller's own id, when it is one that can stand in logs; never anything that may be a key."""
    for name, value in scope["headers"]:
        if name == HEADER:
            usable = _GIVEN.fullmatch(value) and b"ull_" not in value
            return value.decode("ascii") if usable else None
    return None


def _tell(scope: Scope, answer: _Answer, seconds: float) -> None:
    route = route_of(scope)
    metrics.observe_request(route, scope["method"], answer.status, seconds)
    often = answer.status is not None and answer.status < 400 and route.startswith(_OFTEN_ASKED)
    if not _STANDARD.isEnabledFor(logging.DEBUG if often else logging.INFO):
        return
    # the query is left out: people paste all sorts of things into addresses
    path = _KEY.sub("ull_...", scope["path"][:_LONGEST_PATH])
    told: dict[str, Any] = {
        "method": scope["method"][:20],
        "route": route,
        "path": path,
        "status": answer.status,
        "ms": round(seconds * 1000, 2),
        "bytes": answer.size,
    }
    if (instrument := scope["state"].get("instrument")) is not None:
        told["instrument"] = instrument
    if scope.get("client"):
        told["client"] = scope["client"][0]
    if often:
        LOG.debug("request", **told)
    else:
        LOG.info("request", **told)


def route_of(scope: Scope) -> str:
    """The template of the path, such as ``/api/v1/assets/{code}``: there are as many as endpoints."""
    context = scope.get("fastapi", {}).get("effective_route_context")
    template = getattr(context, "path_format", None) or getattr(scope.get("route"), "path", None)
    if template is not None:
        return str(template)
    if scope.get("endpoint") is None:
        return "unmatched"
    return str(scope.get("root_path") or "other")  # a mounted folder; else the description of the interface
