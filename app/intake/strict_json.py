"""What all JSON bodies share: strictness, keys that stand once, and schemas that stand alone."""

import json
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

from app.errors import GivenError
from app.intake.numbers import shown

Problem = Literal["not_json", "too_many", "invalid"]


class BadPayload(GivenError, ValueError):  # noqa: N818 - the name says what it is
    """The body as a whole cannot be taken.

    Attributes:
        field: what is wrong, ``body`` for the whole.
        reason: why, and how to mend it.
        problem: ``not_json`` (cannot be read), ``too_many`` (samples) or ``invalid``.
    """

    def __init__(self, field: str, reason: str, problem: Problem = "invalid") -> None:
        super().__init__(f"{field}: {reason}")
        self.field = field
        self.reason = reason
        self.problem = problem


class Strict(BaseModel):
    """No unknown key, no number from a text, no number from true."""

    model_config = ConfigDict(extra="forbid", strict=True)


def key_name(name: object, limit: int = 60) -> str:
    """A foreign key as (part of) a field's name."""
    return shown(name, limit).strip("'")


def refuse_repeated_keys(body: bytes) -> None:
    """JSON lets a key stand twice and readers differ on which counts; here neither does.

    Only to be called on bodies that were read before, so neither depth nor encoding can fail.

    Raises:
        BadPayload: naming the key.
    """

    def pairs(found: list[tuple[str, Any]]) -> None:
        seen = set()
        for key, _ in found:
            if key in seen:
                raise BadPayload(
                    key_name(key), f"the key {shown(key)} stands twice in one object; keep one of them"
                )
            seen.add(key)

    json.loads(body, object_pairs_hook=pairs, parse_int=str, parse_float=str, parse_constant=str)


def inlined(schema: dict[str, Any]) -> dict[str, Any]:
    """A JSON schema with its ``$defs`` put where they are referred to (none of ours is recursive)."""
    definitions = schema.get("$defs", {})

    def put(node: Any) -> Any:
        if isinstance(node, dict):
            if "$ref" in node:
                beside = {key: value for key, value in node.items() if key != "$ref"}
                return {**put(definitions[node["$ref"].removeprefix("#/$defs/")]), **put(beside)}
            return {key: put(value) for key, value in node.items() if key != "$defs"}
        return [put(value) for value in node] if isinstance(node, list) else node

    result: dict[str, Any] = put(schema)
    return result
