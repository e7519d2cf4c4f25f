"""What the registrar's endpoints share: a body as a model, and what is not there."""

from typing import TypeVar

from pydantic import BaseModel

from app.intake.registering.bodies import BadRegistration, read_body
from app.intake.strict_json import BadPayload
from app.web.server.problems import Problem

B = TypeVar("B", bound=BaseModel)


def parsed(body: bytes, kind: type[B]) -> B:
    """A posted body; 400 when it is no JSON, 422 naming the fields when it cannot be taken."""
    try:
        return read_body(body, kind)
    except BadRegistration as error:
        raise Problem(422 if error.readable else 400, str(error), error.errors) from None
    except BadPayload as error:
        raise Problem(422, str(error), [(error.field, error.reason)]) from None


def not_there(kind: str, code: str) -> Problem:
    """404 for a code that is not registered."""
    return Problem(404, f"No {kind} has the code {code}.")
