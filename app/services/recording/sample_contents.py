"""What a sample says as people write it in a form, and what differs between two of them."""

from collections.abc import Mapping

from app.domain.model import Reading
from app.errors import GivenError
from app.intake.numbers import NotANumberError, NumberStyle, parse_number, shown
from app.intake.validate import ImpossibleError, check_reading
from app.science.quantities import NAMES
from app.store.correcting.corrections import Contents
from app.store.database import Connection
from app.store.pages import view_samples

LONGEST_REASON = 2000
LONGEST_NUMBER = 200


class PutRightError(GivenError):
    """It cannot be done; ``problems`` is (field, what is wrong and how to mend it) for each fault."""

    def __init__(self, *problems: tuple[str, str]) -> None:
        super().__init__("; ".join(f"{field}: {reason}" for field, reason in problems))
        self.problems = problems


def read_contents(written: Mapping[str, str], laboratory_number: str, remark: str) -> Contents:
    """What a form says of a sample: ``12.5`` or ``<0.5`` for each quantity in our own units, empty: not measured.

    Raises:
        PutRightError: naming every field that cannot be taken.
    """
    readings, problems = {}, []
    for quantity in NAMES:
        text = written.get(quantity, "").strip()
        if not text:
            continue
        try:
            readings[quantity] = _reading(quantity, text)
        except (NotANumberError, ImpossibleError) as error:
            problems.append((quantity, f"{shown(text)}: {error}"))
    if not readings and not problems:
        problems.append(("readings", "no reading is left; exclude the sample instead"))
    problems += too_long({"laboratory_number": (laboratory_number, LONGEST_NUMBER)})
    problems += too_long({"remark": (remark, LONGEST_REASON)})
    if problems:
        raise PutRightError(*problems)
    return Contents(readings, laboratory_number.strip() or None, remark.strip() or None)


def contents_of(connection: Connection, sample_id: int) -> Contents:
    """What a stored sample says."""
    view = view_samples.samples_by_id(connection, [sample_id])[sample_id]
    return Contents(view.readings, view.laboratory_number, view.remark)


def differences(before: Contents, after: Contents) -> dict[str, list[str | None]]:
    """By field, what was and what is; quantities in the program's units, None: not given."""
    was, now = _written(before), _written(after)
    return {k: [was.get(k), now.get(k)] for k in {**was, **now} if was.get(k) != now.get(k)}


def _written(contents: Contents) -> dict[str, str]:
    texts = {name: written(reading) for name, reading in contents.readings.items()}
    if contents.laboratory_number:
        texts["laboratory_number"] = contents.laboratory_number
    if contents.remark:
        texts["remark"] = contents.remark
    return texts


def written(reading: Reading) -> str:
    """A reading in full, as a form shows and takes it: ``12.5``, ``<0.5``."""
    return f"{'<' if reading.below is not None else ''}{reading.number:.15g}"


def _reading(quantity: str, text: str) -> Reading:
    if text.startswith(("<", "＜")):
        return check_reading(quantity, below=parse_number(text[1:], NumberStyle()))
    return check_reading(quantity, value=parse_number(text, NumberStyle()))


def too_long(texts: Mapping[str, tuple[str, int]]) -> list[tuple[str, str]]:
    """A problem for each field whose text is longer than its limit."""
    return [
        (field, f"is longer than {limit} characters; shorten it")
        for field, (text, limit) in texts.items()
        if len(text) > limit
    ]
