"""Static files under URLs that carry a hash of their content, so that browsers may keep them for a year."""

import hashlib
from functools import cache
from pathlib import Path

from starlette.responses import Response
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

FOLDER = Path(__file__).parents[1] / "static"
_HASH_LENGTH = 10


@cache
def static_url(name: str) -> str:
    """``/static/<hash>/<name>`` of a file in app/web/static.

    Raises:
        FileNotFoundError: if there is no such file.
    """
    digest = hashlib.sha256((FOLDER / name).read_bytes()).hexdigest()[:_HASH_LENGTH]
    return f"/static/{digest}/{name}"


class HashedStaticFiles(StaticFiles):
    """Serves ``<hash>/<name>``; the hash is only there to make the URL change with the content."""

    def __init__(self) -> None:
        super().__init__(directory=FOLDER)

    def get_path(self, scope: Scope) -> str:
        path = super().get_path(scope)
        _, _, name = path.partition("/")
        return name

    async def get_response(self, path: str, scope: Scope) -> Response:
        response = await super().get_response(path, scope)
        if response.status_code in {200, 304}:
            response.headers["Cache-Control"] = "public, max-age=31536000, immutable"
        return response
