"""Lines of JSON into samples: one sample a line, or a whole body ``{"samples": [...]}``.

Only what the spool needs is checked here: that it is JSON, an object, and of a bearable size. What the samples say
is for the server to judge.
"""

import json
from dataclasses import dataclass
from typing import Any, Final, NoReturn

MOST_LINE_BYTES: Final = 8 * 1024 * 1024
MOST_SAMPLE_BYTES: Final = 64 * 1024
_SHOWN_BYTES: Final = 4000


class BadLineError(ValueError):
    """A line that is no sample; the text says why and how to mend it."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the input without its end. A line that is too long holds its beginning only."""

    number: int
    text: bytes
    too_long: bool = False


class Splitter:
    """Cuts what is read in blocks into lines; holds at most one line's limit in memory."""

    def __init__(self) -> None:
        self._rest = bytearray()
        self._dropped = 0
        self._number = 0
        self.consumed = 0
        """Bytes up to the end of the last whole line."""

    def feed(self, block: bytes) -> list[Line]:
        """The lines that this block finishes."""
        lines = []
        start = 0
        while (end := block.find(b"\n", start)) >= 0:
            self._take(block[start : end + 1])
            lines.append(self._line())
            start = end + 1
        self._take(block[start:])
        return lines

    def finish(self) -> list[Line]:
        """The last line, when it has no end."""
        return [self._line()] if self._rest else []

    def _take(self, part: bytes) -> None:
        room = MOST_LINE_BYTES + 2 - len(self._rest)
        self._rest += part[:room]
        self._dropped += max(0, len(part) - room)

    def _line(self) -> Line:
        self._number += 1
        self.consumed += len(self._rest) + self._dropped
        text = bytes(self._rest).strip(b"\r\n")
        too_long = self._dropped > 0 or len(text) > MOST_LINE_BYTES
        self._rest.clear()
        self._dropped = 0
        return Line(self._number, text[:_SHOWN_BYTES] if too_long else text, too_long)


def samples_of(line: Line) -> list[bytes]:
    """The samples of a line, each as one line of JSON; none of an empty line.

    Raises:
        BadLineError: it is not JSON, no object, a body with something else in it, or too long.
    """
    if line.too_long:
        raise BadLineError(f"is longer than {MOST_LINE_BYTES} bytes; write one sample a line")
    text = line.text.removeprefix(b"\xef\xbb\xbf").strip()
    if not text:
        return []
    content = _parsed(text)
    if "samples" not in content:
        return [_bearable(text if b"\n" not in text and b"\r" not in text else _written(content))]
    samples = content["samples"]
    if len(content) > 1 or not isinstance(samples, list) or not all(isinstance(s, dict) for s in samples):
        raise BadLineError("is neither a sample nor a body with one key, 'samples', and a list of objects")
    return [_bearable(_written(sample)) for sample in samples]


def shown(line: Line) -> str:
    """The beginning of a line, for people."""
    return line.text[:_SHOWN_BYTES].decode("utf-8", "backslashreplace")


def _parsed(text: bytes) -> dict[str, Any]:
    try:
        content = json.loads(text.decode("utf-8"), parse_constant=_no_number, object_pairs_hook=_once)
    except UnicodeDecodeError as error:
        raise BadLineError(f"is not UTF-8 text (byte {error.start + 1})") from None
    except RecursionError:
        raise BadLineError("is nested too deep") from None
    except BadLineError:
        raise
    except ValueError as error:
        raise BadLineError(f"is not JSON: {error}") from None
    if not isinstance(content, dict):
        raise BadLineError('is no object; write {"taken_at": "2026-03-01T06:00:00Z", "h2": 41.2}')
    return content


def _no_number(text: str) -> NoReturn:
    raise BadLineError(f"{text} is no number in JSON; leave out what was not measured")


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    content = dict(pairs)
    if len(content) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise BadLineError(f"the key {twice[:60]!r} stands twice in one object; keep one of them")
    return content


def _written(sample: dict[str, Any]) -> bytes:
    try:
        return json.dumps(sample, separators=(",", ":"), allow_nan=False).encode("ascii")
    except ValueError:
        raise BadLineError("holds a number that is too large") from None


def _bearable(sample: bytes) -> bytes:
    if len(sample) > MOST_SAMPLE_BYTES:
        raise BadLineError(f"is a sample of {len(sample)} bytes; at most {MOST_SAMPLE_BYTES} are taken")
    return sample
