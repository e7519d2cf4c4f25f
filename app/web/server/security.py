"""Headers that every answer carries, and the refusal of cross-site form posts."""

from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

CONTENT_SECURITY_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self' 'unsafe-inline'",  # plotly.js sets style attributes
        "img-src 'self' data: blob:",  # plotly.js saves a chart as a PNG through these
        "font-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "frame-src 'self'",
        "frame-ancestors 'none'",
        "base-uri 'none'",
    )
)
_HEADERS = {
    "Content-Security-Policy": CONTENT_SECURITY_POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}
_SAFE_METHODS = {"GET", "HEAD", "OPTIONS"}


def add_headers(headers: MutableHeaders, path: str) -> None:
    """Give the answer from ``path`` the headers above and keep it out of caches, unless it says otherwise.

    Pages are kept nowhere: they show the record to whoever reaches the server, not to who reaches the disk.
    """
    for name, value in _HEADERS.items():
        headers.setdefault(name, value)
    if not path.startswith("/static/"):
        headers.setdefault("Cache-Control", "no-store")


class SecurityHeaders:
    """Adds the headers above unless the endpoint set its own."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                add_headers(MutableHeaders(scope=message), scope["path"])
            await send(message)

        await self.app(scope, receive, send_with_headers)


class SameSiteForms:
    """Refuses a state-changing request that a page of another site made a browser send.

    Browsers say where a request comes from in ``Sec-Fetch-Site``, older ones in ``Origin``; a program that
    posts samples sends neither and shows a key instead.
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and scope["method"] not in _SAFE_METHODS:
            problem = _foreign(Headers(scope=scope))
            if problem:
                response = PlainTextResponse(
                    f"Refused: {problem}. Open the page on this server and send the form from there.\n", 403
                )
                await response(scope, receive, send)
                return
        await self.app(scope, receive, send)


def _foreign(headers: Headers) -> str | None:
    site = headers.get("sec-fetch-site")
    if site is not None:
        return None if site in {"same-origin", "none"} else f"the form was sent from another site ({site})"
    origin = headers.get("origin")
    if origin is None:
        return None
    # "null" is what sandboxed frames and some redirects send: not this site
    if urlsplit(origin).netloc.lower() == headers.get("host", "").lower():
        return None
    return f"the form was sent from {origin}"
