"""From bytes to text, and texts that mean the same."""

import unicodedata
from typing import Final

from app.errors import GivenError

_MARKS: Final = ((b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
WORKBOOK: Final = b"PK\x03\x04"
OLD_WORKBOOK: Final = b"\xd0\xcf\x11\xe0"


class UnreadableFileError(GivenError, ValueError):
    """The bytes are no text file; the message says why and how to mend it."""


def decode(content: bytes, encoding: str) -> str:
    """The text of a file: UTF-8 if it is that, UTF-16 if a byte order mark says so, else ``encoding``.

    Guessing from letter statistics mislabels short files, so nothing is guessed.

    Raises:
        UnreadableFileError: if it is none of these, a workbook, or empty.
    """
    if content.startswith((WORKBOOK, OLD_WORKBOOK)):
        raise UnreadableFileError("this is a spreadsheet workbook, not CSV; save it as CSV and send that")
    codec = next((codec for mark, codec in _MARKS if content.startswith(mark)), None)
    if codec is None and encoding == "utf-16-le" and b"\0" in content:
        codec = encoding  # its mark was lost; text in UTF-8 holds no NUL
    try:
        text = content.decode(codec or "utf-8-sig")
    except UnicodeDecodeError as error:
        if codec:
            raise UnreadableFileError(f"not valid UTF-16 at byte {error.start}; was it cut off?") from None
        text = _decode_as(content, encoding)
    if "\0" in text:
        raise UnreadableFileError("holds NUL characters, so it is no text; save it as CSV in UTF-8")
    if not text.strip():
        raise UnreadableFileError("the file is empty")
    return text


def _decode_as(content: bytes, encoding: str) -> str:
    try:
        return content.decode(encoding)
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise UnreadableFileError(
            f"line {line} is neither UTF-8 nor {encoding} (byte 0x{content[error.start]:02x});"
            " save the file in UTF-8"
        ) from None


def folded(text: str) -> str:
    """Headers and words that mean the same become equal: case, spaces, ``µ`` and ``μ``, ``H₂`` and ``H2``."""
    return " ".join(unicodedata.normalize("NFKC", text).casefold().split())
