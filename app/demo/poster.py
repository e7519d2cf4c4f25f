"""An instrument's side of the HTTP interface: posts batches, waits and tries again as a careful client does."""

import threading
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any, Final

import httpx

from app.domain.model import Sample

SAMPLES_PATH: Final = "/api/v1/samples"
BUSY: Final = frozenset({408, 425, 429, 500, 502, 503, 504})
"""Answers after which the same batch may be sent again: a repeat does no harm."""
FIRST_WAIT_SECONDS: Final = 0.5
LONGEST_WAIT_SECONDS: Final = 30.0
PATIENCE_SECONDS: Final = 600.0
"""How long one batch is tried again before the instrument gives up."""


class PostError(Exception):
    """The server refused a batch, or could not be reached for too long; the text says which and why."""


class StoppedError(Exception):
    """The instrument was told to stop while it waited."""


@dataclass(frozen=True, slots=True)
class Posted:
    """What became of one batch: number of samples by result, e.g. ``{"stored": 6}``, and attempts made."""

    results: dict[str, int]
    attempts: int
    refusal: str = ""
    """Why the first rejected sample was rejected; empty when none was."""


class Poster:
    """Posts samples with one instrument's key.

    Args:
        url: address of the server, e.g. ``http://127.0.0.1:8750``.
        key: the instrument's key.
        stop: set it to end any wait.
    """

    def __init__(self, url: str, key: str, stop: threading.Event) -> None:
        self._client = httpx.Client(
            base_url=url.rstrip("/"),
            headers={"Authorization": f"Bearer {key}", "User-Agent": "ullage-simulate"},
            timeout=30.0,
            trust_env=False,
        )
        self._stop = stop

    def close(self) -> None:
        self._client.close()

    def post(self, samples: Sequence[Sample]) -> Posted:
        """Send one batch; on a lost connection or a busy answer wait and send it again.

        Raises:
            PostError: the server refused the batch, or PATIENCE_SECONDS went by.
            StoppedError: ``stop`` was set meanwhile.
        """
        body = {"samples": [as_json(s) for s in samples]}
        waited, attempt, backoff = 0.0, 0, FIRST_WAIT_SECONDS
        while True:
            attempt += 1
            answer, trouble = self._try(body)
            if answer is not None and answer.status_code not in BUSY:
                return _posted(answer, attempt)
            pause = retry_after(answer, datetime.now(UTC)) if answer is not None else None
            pause = min(backoff, LONGEST_WAIT_SECONDS) if pause is None else pause
            backoff *= 2.0
            if waited + pause > PATIENCE_SECONDS:
                raise PostError(f"gave up after {attempt} attempts: {trouble}")
            if self._stop.wait(pause):
                raise StoppedError
            waited += pause

    def _try(self, body: dict[str, Any]) -> tuple[httpx.Response | None, str]:
        try:
            answer = self._client.post(SAMPLES_PATH, json=body)
        except httpx.TransportError as error:
            return None, f"cannot reach {self._client.base_url}: {error}"
        return answer, f"the server answers {answer.status_code}"


def as_json(sample: Sample) -> dict[str, str | float]:
    """One sample as the HTTP interface takes it: the server knows the compartment from the key."""
    readings = {
        name: reading.value if reading.value is not None else f"<{reading.number:g}"
        for name, reading in sample.readings.items()
    }
    return {"taken_at": sample.taken_at.astimezone(UTC).isoformat().replace("+00:00", "Z"), **readings}


def retry_after(answer: httpx.Response, now: datetime) -> float | None:
    """Seconds the answer asks to wait (RFC 9110, 10.2.3: seconds or a date), or None."""
    text = answer.headers.get("Retry-After", "").strip()
    if text.isascii() and text.isdigit():
        return float(text)
    try:
        at = parsedate_to_datetime(text)
    except ValueError:
        return None
    if at.tzinfo is None:
        at = at.replace(tzinfo=UTC)
    return max(0.0, (at - now).total_seconds())


def _posted(answer: httpx.Response, attempt: int) -> Posted:
    if answer.status_code >= 400:
        raise PostError(f"the server refused a batch ({answer.status_code}): {_reason(answer)}")
    counts: dict[str, int] = {}
    refusal = ""
    for outcome in answer.json()["outcomes"]:
        counts[outcome["result"]] = counts.get(outcome["result"], 0) + 1
        if outcome["result"] == "rejected" and not refusal:
            refusal = f"{outcome.get('field')}: {outcome.get('reason')}"
    return Posted(counts, attempt, refusal)


def _reason(answer: httpx.Response) -> str:
    """The detail of a problem document (RFC 9457), or the beginning of whatever came."""
    if answer.headers.get("Content-Type", "").startswith(("application/problem+json", "application/json")):
        detail = answer.json().get("detail")
        if isinstance(detail, str):
            return detail
    return answer.text.strip()[:300]
