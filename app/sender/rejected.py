"""``rejected.jsonl``: what could not be delivered, each line with its reason. Nothing is dropped silently."""

import json
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from io import BytesIO
from pathlib import Path
from typing import Final

from app.sender import durable

REJECTED: Final = "rejected.jsonl"


@dataclass(frozen=True, slots=True)
class Rejected:
    """One line that was not taken.

    Attributes:
        at: when, ISO 8601.
        number: of the record in the spool; None when the input itself could not be read as a sample.
        line: number of the line of the input, where that is known.
        field: what is wrong, e.g. ``h2``; empty for the whole.
        reason: why, and how to mend it.
        sample: the text as it came.
    """

    at: str
    number: int | None
    line: int | None
    field: str
    reason: str
    sample: str


class RejectedFile:
    """The file beside the spool, for one thread at a time. It may be moved away at any time; a new one is begun then.

    Raises:
        OSError: when it cannot be read or written; nothing is half written then.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / REJECTED
        self.last_number = 0
        """Number of the last record that was put here: a crash before it was marked as answered sends it again."""
        if self.path.exists():
            self._look_through()

    def add(self, entries: Sequence[Rejected]) -> None:
        """Write lines; they are on disk when this returns. Records that stand here already are left out."""
        new = [e for e in entries if e.number is None or e.number > self.last_number]
        if not new:
            return
        content = "".join(json.dumps(asdict(e), ensure_ascii=False) + "\n" for e in new)
        with self.path.open("ab") as out:
            durable.append(out.fileno(), content.encode("utf-8", "backslashreplace"))
        durable.sync_folder(self.path.parent)
        self.last_number = max((e.number for e in new if e.number is not None), default=self.last_number)

    def _look_through(self) -> None:
        """Cut off a line that was not finished; find the last number."""
        whole = 0
        for line in BytesIO(durable.read(self.path)):
            if not line.endswith(b"\n"):
                break
            whole += len(line)
            try:
                number = json.loads(line)["number"]
            except (ValueError, TypeError, KeyError):
                continue  # edited by hand, or not to be read
            if isinstance(number, int):
                self.last_number = max(self.last_number, number)
        os.truncate(self.path, whole)
