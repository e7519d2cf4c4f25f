"""How foreign text and numbers are shown in messages, and how a text becomes a number without guessing."""

import re
from dataclasses import dataclass
from typing import Final

from app.errors import GivenError

_PLAIN: Final = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)


class NotANumberError(GivenError, ValueError):
    """The text is not a number as declared; the message says why."""


@dataclass(frozen=True, slots=True)
class NumberStyle:
    """How a file writes numbers.

    Attributes:
        decimal_mark: ``.`` or ``,``.
        thousands_mark: the mark between groups of three digits, or None when the file uses none.
    """

    decimal_mark: str = "."
    thousands_mark: str | None = None


def shown(text: object, limit: int = 60) -> str:
    """Foreign text for a message: quoted, shortened, control and half characters escaped."""
    quoted = ascii(text) if not isinstance(text, str) or not text.isprintable() else f"'{text}'"
    return quoted if len(quoted) <= limit else quoted[: limit - 1] + "…"


def parse_number(text: str, style: NumberStyle) -> float:
    """A number written in a declared style.

    ``1.234`` under a decimal comma with ``.`` between thousands is 1234; without declared thousands marks it
    is refused, since it may as well mean 1.234.

    Raises:
        NotANumberError: if the text is anything else than one finite number in that style.
    """
    plain = text.strip()
    if style.thousands_mark == " ":
        plain = plain.replace("\u00a0", " ").replace("\u202f", " ")  # spaces that do not break a line
    if style.thousands_mark and style.thousands_mark in plain:
        plain = _without_thousands(plain, style)
    if style.decimal_mark != ".":
        if "." in plain:
            raise NotANumberError(
                f"the file's decimal mark is '{style.decimal_mark}' but this number has a point"
            )
        plain = plain.replace(style.decimal_mark, ".", 1)
    elif "," in plain:
        raise NotANumberError("the file's decimal mark is '.' but this number has a comma")
    if not _PLAIN.fullmatch(plain):
        raise NotANumberError(f"not a number; write it like 1234{style.decimal_mark}5")
    number = float(plain)
    if number in (float("inf"), float("-inf")):
        raise NotANumberError("the number is too large")
    return number + 0.0  # turns -0.0 into 0.0


def _without_thousands(text: str, style: NumberStyle) -> str:
    whole, mark, fraction = text.partition(style.decimal_mark)
    groups = re.escape(style.thousands_mark or "")
    if not re.fullmatch(rf"[+-]?\d{{1,3}}({groups}\d{{3}})+", whole, re.ASCII):
        raise NotANumberError(
            f"'{style.thousands_mark}' separates thousands in this file, but here it does not stand before"
            " groups of three digits"
        )
    return whole.replace(style.thousands_mark or "", "") + mark + fraction
