"""Posted bodies: declared as JSON, plain or gzip, and bounded both ways."""

import zlib

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request

from app.web.inputs.forms import declared_length
from app.web.server.problems import Problem

_GZIP = zlib.MAX_WBITS | 16  # the gzip format of RFC 1952, not zlib's own
_LARGE = 64 * 1024
"""Larger packed bodies are unpacked in a thread: the loop serves others meanwhile."""
CODINGS = "gzip, identity"


async def read_json_body(request: Request, limit: int) -> bytes:
    """The bytes of a JSON body, at most ``limit`` of them as sent and as unpacked.

    400 when it does not come whole or cannot be unpacked, 413 when it is too large, 415 when it is not declared as
    JSON or is coded in another way than gzip.
    """
    media_type = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if media_type != "application/json":
        detail = f"Send the body with 'Content-Type: application/json', not {media_type or 'none'!r}."
        raise Problem(415, detail, headers={"Accept-Post": "application/json"})
    coding = request.headers.get("content-encoding", "").strip().lower() or "identity"
    if coding not in {"identity", "gzip", "x-gzip"}:
        detail = f"Send the body as it is or packed with gzip, not {coding!r}."
        raise Problem(415, detail, headers={"Accept-Encoding": CODINGS})
    body = await _read(request, limit)
    if coding == "identity":
        return body
    return await run_in_threadpool(unpack, body, limit) if len(body) > _LARGE else unpack(body, limit)


async def _read(request: Request, limit: int) -> bytes:
    if (declared_length(request) or 0) > limit:
        raise _too_large(limit)
    body = bytearray()
    try:
        async for chunk in request.stream():  # a chunked body declares no length: count what comes
            body += chunk
            if len(body) > limit:
                raise _too_large(limit)
    except ClientDisconnect:
        raise Problem(400, "The connection was closed before the whole body came.") from None
    return bytes(body)


def unpack(packed: bytes, limit: int) -> bytes:
    """What gzip packed: one member or several (RFC 1952, 2.2). No more than ``limit`` bytes are ever made of it."""
    body = bytearray()
    while True:
        member = zlib.decompressobj(_GZIP)
        try:
            body += member.decompress(packed, limit + 1 - len(body))
        except zlib.error as error:
            raise _broken(f"it is damaged, or not gzip, or has something behind its end ({error})") from None
        if len(body) > limit:
            raise _too_large(limit)
        if not member.eof:
            raise _broken("it ends too soon")
        packed = member.unused_data
        if not packed:
            return bytes(body)


def _broken(why: str) -> Problem:
    reason = f"cannot be unpacked as gzip: {why}"
    return Problem(400, f"The body {reason}.", [("body", reason)])


def _too_large(limit: int) -> Problem:
    return Problem(413, f"The body is larger than {limit} bytes; send the samples in several posts.")
