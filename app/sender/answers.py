"""What an answer of the server means for the batch that was posted."""

from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any, Final

import httpx

BUSY: Final = frozenset({408, 425, 429})
"""With all 5xx: answers after which the same batch may simply be sent again."""
UNFIT: Final = frozenset({400, 413, 422})
LONGEST_REQUESTED_WAIT: Final = 3600.0
"""A server may ask for more; an hour is believed [seconds]."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one sample. ``result`` is the server's word; only ``rejected`` means that it has it not."""

    result: str
    field: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Taken:
    """One outcome for each sample of the batch, in its order."""

    outcomes: tuple[Outcome, ...]


@dataclass(frozen=True, slots=True)
class Unfit:
    """The batch as a whole was refused; which of its samples is to blame is not said."""

    reason: str
    too_large: bool = False


@dataclass(frozen=True, slots=True)
class Later:
    """Not now: the network, or a server that is busy or failing.

    Attributes:
        retry_after: seconds that the server asks to wait.
        refused: it is the key or the address that is wrong, so that a person must do something.
    """

    reason: str
    retry_after: float | None = None
    refused: bool = False


Answer = Taken | Unfit | Later


def read_answer(answer: httpx.Response, count: int, now: datetime) -> Answer:
    """What the server said of a batch of ``count`` samples.

    Nothing counts as delivered unless there is an outcome for each sample: a page of a proxy that answers 200 is
    none.
    """
    status = answer.status_code
    if status == 200:
        outcomes = _outcomes(_json(answer), count)
        return outcomes or Later("the answer 200 holds no outcomes: is the address Ullage's?", refused=True)
    reason = f"the server answers {status}: {_reason(answer)}"
    if status in BUSY or status >= 500:
        return Later(reason, retry_after(answer, now))
    if status == 422 and (each := _refused_each(_json(answer), count)):
        return each
    if status in UNFIT:
        return Unfit(reason, too_large=status == 413)
    return Later(reason, retry_after(answer, now), refused=True)


def retry_after(answer: httpx.Response, now: datetime) -> float | None:
    """Seconds the answer asks to wait (RFC 9110, 10.2.3: seconds or a date), an hour at most; None when it does not."""
    text = answer.headers.get("Retry-After", "").strip()
    if text.isascii() and text.isdigit():
        return min(float(text), LONGEST_REQUESTED_WAIT)
    try:
        at = parsedate_to_datetime(text)
    except ValueError:
        return None
    if at.tzinfo is None:
        at = at.replace(tzinfo=UTC)
    return min(max(0.0, (at - now).total_seconds()), LONGEST_REQUESTED_WAIT)


def _json(answer: httpx.Response) -> dict[str, Any]:
    try:
        content = answer.json()
    except (ValueError, RecursionError):
        return {}
    return content if isinstance(content, dict) else {}


def _outcomes(content: dict[str, Any], count: int) -> Taken | None:
    given = content.get("outcomes")
    if not isinstance(given, list) or len(given) != count:
        return None
    outcomes = []
    for i, one in enumerate(given):
        if not isinstance(one, dict) or not isinstance(one.get("result"), str):
            return None
        field = str(one.get("field") or "").removeprefix(f"samples[{i}]").removeprefix(".")
        outcomes.append(Outcome(one["result"], field, str(one.get("reason") or "")))
    return Taken(tuple(outcomes))


def _refused_each(content: dict[str, Any], count: int) -> Taken | None:
    """The server answers 422 when it can take none of the samples, and then names each of them in their order."""
    errors = content.get("errors")
    if not isinstance(errors, list) or len(errors) != count:
        return None
    named = [isinstance(e, dict) and _names(str(e.get("field")), i) for i, e in enumerate(errors)]
    return (
        _outcomes({"outcomes": [{"result": "rejected", **e} for e in errors]}, count) if all(named) else None
    )


def _names(field: str, i: int) -> bool:
    return field == f"samples[{i}]" or field.startswith(f"samples[{i}].")


def _reason(answer: httpx.Response) -> str:
    """The detail of a problem document (RFC 9457), or the beginning of whatever came."""
    detail = _json(answer).get("detail")
    return detail if isinstance(detail, str) else " ".join(answer.text.split())[:200]
