"""One post of a batch to the server, and what came of it."""

import gzip
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from types import TracebackType
from typing import Final, Self

import httpx

from app.sender.answers import Answer, Later, read_answer

SAMPLES_PATH: Final = "/api/v1/samples"
COMPRESS_FROM_BYTES: Final = 1400
"""A body that fits into one packet gains nothing."""

ReadKey = Callable[[], str]
"""Gives the instrument's key; asked before each post, so that a new one counts at once. Raises OSError, ValueError."""


class Server:
    """The server at an address.

    Args:
        url: e.g. ``http://127.0.0.1:8750``.
        read_key: gives the instrument's key.
        proxies: whether the usual variables (``HTTPS_PROXY``, ``NO_PROXY`` ...) count.
        transport: for tests.
    """

    def __init__(
        self,
        url: str,
        read_key: ReadKey,
        *,
        proxies: bool = False,
        transport: httpx.BaseTransport | None = None,
    ) -> None:
        self.url = url.rstrip("/")
        self._read_key = read_key
        self._compress = True
        self._client = httpx.Client(
            headers={"User-Agent": "ullage-send", "Content-Type": "application/json"},
            timeout=httpx.Timeout(60.0, connect=10.0),
            trust_env=proxies,
            transport=transport,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._client.close()

    def post(self, payloads: Sequence[bytes]) -> Answer:
        """Post samples, each one line of JSON, once. Never raises for what network or server do."""
        try:
            key = self._read_key()
        except (OSError, ValueError) as error:
            return Later(f"the key cannot be read: {error}", refused=True)
        if not (key.isascii() and key.isprintable() and key and " " not in key):
            return Later("the key is empty or holds characters that no key has", refused=True)
        body = b'{"samples":[' + b",".join(payloads) + b"]}"
        try:
            answer = self._send(body, key)
        except httpx.RequestError as error:
            return Later(f"cannot reach {self.url}: {str(error).rstrip('.') or type(error).__name__}")
        return read_answer(answer, len(payloads), datetime.now(UTC))

    def _send(self, body: bytes, key: str) -> httpx.Response:
        headers = {"Authorization": f"Bearer {key}"}
        address = f"{self.url}{SAMPLES_PATH}"
        if self._compress and len(body) >= COMPRESS_FROM_BYTES:
            content = gzip.compress(body, compresslevel=6, mtime=0)
            answer = self._client.post(
                address, content=content, headers={**headers, "Content-Encoding": "gzip"}
            )
            if answer.status_code != 415:
                return answer
            self._compress = False  # RFC 9110, 15.5.16: this server takes the body as it is only
        return self._client.post(address, content=body, headers=headers)
