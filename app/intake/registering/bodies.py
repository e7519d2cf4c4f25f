"""Reads one description as JSON or out of a form."""

from collections.abc import Mapping
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from app.errors import GivenError
from app.intake.registering.faults import Fault, faults_of
from app.intake.registering.fields import Door
from app.intake.strict_json import refuse_repeated_keys

B = TypeVar("B", bound=BaseModel)


class BadRegistration(GivenError, ValueError):  # noqa: N818 - the name says what it is
    """The description cannot be taken.

    Attributes:
        errors: (field, reason) of each thing wrong.
        readable: False when it is not JSON at all.
    """

    def __init__(self, faults: list[Fault], readable: bool = True) -> None:
        self.errors = [(fault.field("body"), fault.reason) for fault in faults]
        self.readable = readable
        super().__init__("; ".join(f"{field}: {reason}" for field, reason in self.errors[:5]))


def read_body(body: bytes, kind: type[B]) -> B:
    """A posted body as one of the models.

    Raises:
        BadRegistration: with every field that is wrong.
        BadPayload: when a key stands twice.
    """
    try:
        parsed = kind.model_validate_json(body, context=Door.BODY)
    except ValidationError as error:
        readable = error.errors(include_url=False)[0]["type"] != "json_invalid"
        raise BadRegistration(faults_of(error, kind, Door.BODY), readable) from None
    refuse_repeated_keys(body)
    return parsed


def read_form(fields: Mapping[str, str], kind: type[B]) -> B:
    """The fields of a form as one of the models; a field that holds nothing counts as left out.

    Raises:
        BadRegistration: with every field that is wrong.
    """
    texts = {name: text.strip() for name, text in fields.items()}
    try:
        return kind.model_validate(texts, strict=False, context=Door.FORM)
    except ValidationError as error:
        raise BadRegistration(faults_of(error, kind, Door.FORM)) from None
