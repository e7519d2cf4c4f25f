"""Texts in files that a spreadsheet program opens: one that it might take for a formula gets an apostrophe.

Practice after OWASP, "CSV injection": cells that begin with = + - @, a tabulator or a line break are formulas to
some program. :func:`escaped` and :func:`unescaped` are inverse to one another for every text.
"""

import re
from typing import Final

_RISKY: Final = re.compile(r"'*[=+\-@\t\r\n＝＋－＠]")
_ESCAPED: Final = re.compile(r"'+[=+\-@\t\r\n＝＋－＠]")


def escaped(text: str) -> str:
    """The text with an apostrophe before it if it needs one."""
    return f"'{text}" if _RISKY.match(text) else text


def unescaped(text: str) -> str:
    """What :func:`escaped` was given."""
    return text[1:] if _ESCAPED.match(text) else text
