"""Answers only to the names that this server has.

Pages need no sign-in, so a page of another site could make its own name lead to this server's address and then
read and post as the user's browser (DNS rebinding). The browser still says that other name in ``Host``.
"""

import re
from ipaddress import ip_address
from typing import Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from app.config import Settings
from app.intake.numbers import shown
from app.web.server.problems import Problem, plain_answer

LOOPBACK: Final = ("localhost", "127.0.0.1", "::1")
_HOST: Final = re.compile(r"(?P<name>\[[0-9a-f:.]+\]|[a-z0-9_.-]+)(:[0-9]*)?", re.ASCII | re.IGNORECASE)


def host_name(text: str) -> str | None:
    """The name or address of a ``Host`` header (RFC 9110, 7.2) without its port; None when it is none."""
    found = _HOST.fullmatch(text)
    return canonical(found["name"]) if found else None


def canonical(name: str) -> str:
    """One spelling of a name: lower case, names as the DNS has them, addresses in their short form."""
    name = name.strip("[]").lower()
    try:
        return ip_address(name).compressed
    except ValueError:
        pass
    try:
        return name.removesuffix(".").encode("idna").decode("ascii")
    except UnicodeError:
        return name


def allowed_hosts(settings: Settings) -> frozenset[str]:
    """The names that a server with these settings answers to, on any port."""
    public = urlsplit(settings.public_url).hostname or ""
    names = (*LOOPBACK, public, settings.host, *settings.allowed_hosts)
    return frozenset(canonical(name) for name in names)


class AllowedHosts:
    """Refuses, with 400, whatever is not addressed to one of :func:`allowed_hosts`."""

    def __init__(self, app: ASGIApp, allowed: frozenset[str]) -> None:
        self.app = app
        self.allowed = allowed

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http":
            sent = Headers(scope=scope).getlist("host")
            if len(sent) != 1 or host_name(sent[0]) not in self.allowed:
                # nothing of the record stands in this answer: a foreign page may read it
                answer = plain_answer(Request(scope), Problem(400, _told(sent)))
                await answer(scope, receive, send)
                return
        await self.app(scope, receive, send)


def _told(sent: list[str]) -> str:
    if len(sent) != 1:
        return f"The request has {len(sent)} headers 'Host'; send one, with the name of this server."
    return (
        f"This server does not go by the name {shown(sent[0])}. If people are to reach it by that name, set"
        " ULLAGE_PUBLIC_URL to the address they use, or list the name in ULLAGE_ALLOWED_HOSTS (several are"
        " separated by commas), and start the server again."
    )
