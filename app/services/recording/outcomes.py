"""What became of samples that were handed in."""

from dataclasses import dataclass
from typing import Literal

from app.domain.model import SetAside

Result = Literal["stored", "already_known", "revised", "rejected"]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one sample. ``field`` and ``reason`` are given for ``rejected`` only.

    ``set_aside`` says why a stored sample is kept without being judged.
    """

    result: Result
    sample_id: int | None = None
    field: str | None = None
    reason: str | None = None
    set_aside: SetAside | None = None
