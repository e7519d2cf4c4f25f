"""What may be given for a setting, in words."""

from typing import Any, Final, Literal, get_args, get_origin

import annotated_types
from pydantic.fields import FieldInfo

PREFIX: Final = "ULLAGE_"
"""Of every setting's name in the environment."""
TEXT: Final = "text"


def values_of(field: FieldInfo) -> str:
    """The values that a setting takes: ``a whole number from 1 to 64``, ``true or false``, ``smtp or folder``."""
    kind = field.annotation
    if get_origin(kind) is Literal:
        *others, last = (str(value) for value in get_args(kind))
        return f"{', '.join(others)} or {last}"
    if kind is bool:
        return "true or false"
    if kind not in (int, float):
        return TEXT
    bounds: dict[str, Any] = {}
    for one in field.metadata:
        match one:
            case annotated_types.Ge():
                bounds["from"] = one.ge
            case annotated_types.Gt():
                bounds["above"] = one.gt
            case annotated_types.Le():
                bounds["to"] = one.le
    limits = [f"{word} {limit:,}" for word, limit in bounds.items()]
    return " ".join(["a whole number" if kind is int else "a number", *limits])
