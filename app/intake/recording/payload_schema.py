"""The description of a posted body: its JSON schema and an example."""

from typing import Any, Final

from app.domain.model import Quality
from app.intake.recording.quantity_keys import IEC_61850
from app.science.quantities import BY_NAME, QUANTITIES, Quantity

MAX_SAMPLES: Final = 5000
EXAMPLE: Final = {
    "samples": [
        {
            "taken_at": "2026-03-01T06:00:00Z",
            "compartment": "main",
            "h2": 41.2,
            "ch4": {"value": 12.5, "quality": "questionable"},
            "c2h2": "<0.5",
            "water": 8.1,
            "oil_temperature": 51.0,
        }
    ]
}

_LIMIT: Final = {"type": "string", "pattern": r"^<\s*\d+(\.\d+)?([eE][+-]?\d{1,3})?$", "maxLength": 40}
_QUALITY: Final = {
    "enum": [*(quality.value for quality in Quality), None],
    "description": "validity of IEC 61850-7-3 (attribute q), `old` for its oldData; anything but `good`"
    " is kept and not judged",
}


def _reading(quantity: Quantity, alias: str | None) -> dict[str, Any]:
    text = f"{quantity.label} [{quantity.unit}]"
    text += f"; {alias} of IEC 61850-7-4, the same as {quantity.name}" if alias else ""
    text += '; a number, or below a detection limit as "<0.5" or {"below": 0.5}; an object {"value": 41.2,'
    text += ' "quality": "questionable"} where it is not good; null or absent: not measured'
    number = {"type": "number", "minimum": quantity.minimum, "maximum": quantity.maximum}
    below = {"type": "number", "exclusiveMinimum": 0}
    return {
        "description": text,
        "anyOf": [
            number,
            _LIMIT,
            _object({"below": below, "quality": _QUALITY}, "below"),
            _object(
                {"value": {"anyOf": [{"type": "number"}, _LIMIT, {"type": "null"}]}, "quality": _QUALITY},
                "value",
            ),
            {"type": "null"},
        ],
    }


def _object(properties: dict[str, Any], *required: str) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": properties,
        "required": list(required),
        "additionalProperties": False,
    }


def batch_schema() -> dict[str, Any]:
    """The JSON schema of a body, without references to elsewhere."""
    properties: dict[str, Any] = {
        "taken_at": {
            "type": "string",
            "format": "date-time",
            "maxLength": 40,
            "description": "ISO 8601 date and time with a UTC offset or Z",
        },
        "compartment": {
            "anyOf": [{"type": "string", "maxLength": 200}, {"type": "null"}],
            "description": "name of the compartment; needed only when the instrument serves several",
        },
        "quality": {
            **_QUALITY,
            "description": f"of all readings that give none themselves: {_QUALITY['description']}",
        },
    }
    properties |= {q.name: _reading(q, None) for q in QUANTITIES}
    properties |= {alias: _reading(BY_NAME[name], alias) for alias, name in IEC_61850.items()}
    sample = {
        **_object(properties, "taken_at"),
        "title": "SamplePayload",
        "description": "One sample: when it was taken, of which compartment, and at least one quantity.",
    }
    samples = {"type": "array", "items": sample, "minItems": 1, "maxItems": MAX_SAMPLES}
    return {
        **_object({"samples": samples}, "samples"),
        "title": "Batch",
        "description": "Samples of one instrument, in any order; sending one again does no harm.",
    }
