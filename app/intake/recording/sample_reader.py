"""One posted sample: a row, or the reason why it cannot be taken. The one place that says what is taken.

:mod:`app.intake.recording.payloads` reads many alike at once where nothing is odd, and leaves the rest to this.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from app.domain.model import Quality, Rejection, SetAside, Source
from app.domain.recording.clock import ClockRule, OnDoubt
from app.intake.iso_time import TIME_FORM, iso_time
from app.intake.numbers import NotANumberError, NumberStyle, parse_number, shown
from app.intake.recording.quantity_keys import BESIDE, KEYS, unknown_key
from app.intake.strict_json import key_name
from app.intake.validate import EARLIEST_ONLINE, FARTHEST_AHEAD, ImpossibleError, check_reading, check_time
from app.science.quantities import BY_NAME, NAMES, QUANTITIES

LOWEST: Final = tuple(-float("inf") if q.minimum is None else q.minimum for q in QUANTITIES)
HIGHEST: Final = tuple(float("inf") if q.maximum is None else q.maximum for q in QUANTITIES)

_POINT: Final = NumberStyle(decimal_mark=".")
_LIMIT: Final = re.compile(r"<\s*\d+(\.\d+)?([eE][+-]?\d{1,3})?")
_LONGEST_TEXT: Final = 40
_NOTHING: Final = (float("nan"),) * len(NAMES)
_READING_KEYS: Final = {"value", "below", "quality"}


@dataclass(frozen=True, slots=True)
class Row:
    """A sample that can be taken.

    Attributes:
        values: one for each of ``NAMES`` in its unit, NaN where not measured, the limit where censored.
        below: the columns whose number is a detection limit.
        qualities: of the readings that are not good; None when all are.
    """

    compartment: str
    taken_at: datetime
    values: list[float]
    below: list[int]
    qualities: Mapping[str, Quality] | None
    set_aside: SetAside | None


class SampleReader:
    """Reads the samples of one instrument at one moment of the server's clock."""

    def __init__(self, source: Source, now: datetime, rule: ClockRule) -> None:
        self._source = source
        self._now = now
        self._rule = rule
        self.only_compartment = source.compartments[0] if len(source.compartments) == 1 else None
        self.served = frozenset(source.compartments)
        self.undoubted = rule.undoubted(now)
        ancient_too = rule.on_ancient is OnDoubt.REFUSE
        self._earliest = max(EARLIEST_ONLINE, self.undoubted[0]) if ancient_too else EARLIEST_ONLINE
        self._ahead = rule.ahead if rule.on_ahead is OnDoubt.REFUSE else FARTHEST_AHEAD

    def read(self, given: Any, i: int) -> Row | Rejection:
        """What the i-th sample of a post says."""
        if type(given) is not dict:
            reason = "must be an object with 'taken_at' and at least one quantity"
            return Rejection(f"samples[{i}]", reason, index=i)
        name = "taken_at"
        try:
            at = self._time(given)
            name = "compartment"
            compartment = self._compartment(given.get(name))
            name = "quality"
            whole = _quality(given.get(name))
            values, below, qualities = list(_NOTHING), [], {}
            for name, value in given.items():
                column = KEYS.get(name)
                if column is None:
                    if name not in BESIDE:
                        raise ImpossibleError(unknown_key(name))
                elif type(value) is float and LOWEST[column] <= value <= HIGHEST[column]:  # nearly all
                    values[column] = _once(values[column], value, column)
                    if whole is not None:
                        qualities[NAMES[column]] = whole
                elif value is not None:
                    number, limit, own = _reading(column, value, whole)
                    if number is None:
                        continue
                    values[column] = _once(values[column], number, column)
                    if limit:
                        below.append(column)
                    if own is not None:
                        qualities[NAMES[column]] = own
        except ImpossibleError as error:
            return Rejection(f"samples[{i}].{key_name(name)}", str(error), index=i)
        if not any(number == number for number in values):
            reason = 'gives no quantity; give at least one, e.g. "h2": 41.2'
            return Rejection(f"samples[{i}]", reason, index=i)
        return Row(compartment, at, values, below, qualities or None, self._rule.set_aside(at, self._now))

    def _time(self, given: dict[str, Any]) -> datetime:
        if "taken_at" not in given:
            raise ImpossibleError(f"is missing; {TIME_FORM}")
        text = given["taken_at"]
        if type(text) is not str or len(text) > _LONGEST_TEXT:
            raise ImpossibleError(f"must be a text; {TIME_FORM}")
        at = iso_time(text)
        earliest, latest = self.undoubted
        return at if earliest <= at <= latest else check_time(at, self._now, self._earliest, self._ahead)

    def _compartment(self, name: object) -> str:
        if isinstance(name, str) and name in self.served:
            return name
        served = ", ".join(self._source.compartments) or "none"
        if name is None:
            if self.only_compartment is None:
                raise ImpossibleError(f"is missing; this instrument serves {served}: say which")
            return self.only_compartment
        if not isinstance(name, str):
            raise ImpossibleError("must be the name of a compartment, a text")
        raise ImpossibleError(f"this instrument does not serve {shown(name)}; it serves {served}")


def limit_of(column: int, text: str) -> float:
    """The detection limit that a text like ``<0.5`` gives, in the quantity's unit.

    Raises:
        ImpossibleError: it is none, or none that this quantity can have.
    """
    name = NAMES[column]
    if len(text) > _LONGEST_TEXT or not _LIMIT.fullmatch(text):
        raise ImpossibleError(f"{_described(text)} is not a reading; {_number_form(name)}")
    try:
        return check_reading(name, below=parse_number(text[1:], _POINT)).number
    except NotANumberError as error:
        raise ImpossibleError(f"{shown(text)}: {error}; {_number_form(name)}") from None


def _once(before: float, number: float, column: int) -> float:
    if before == before:
        raise ImpossibleError(
            f"{BY_NAME[NAMES[column]].label} stands twice in this sample, under two names; keep one of them"
        )
    return number + 0.0  # turns -0.0 into 0.0


def _reading(column: int, value: object, whole: Quality | None) -> tuple[float | None, bool, Quality | None]:
    """The number, whether it is a detection limit, and the quality when it is not good."""
    name = NAMES[column]
    if type(value) is not dict:
        return *_number(column, value, whole), whole
    keys = value.keys()
    if not keys <= _READING_KEYS or ("value" in keys) == ("below" in keys):
        raise ImpossibleError(
            f"an object is not a reading; {_number_form(name)}, or an object {_OBJECT_FORM}"
        )
    own = _quality(value["quality"]) if "quality" in keys else whole
    if "below" in keys:
        limit = _finite(value["below"])
        if limit is None or limit <= 0:
            raise ImpossibleError(
                f"an object is not a reading; 'below' takes a number above 0, in {_OBJECT_FORM}"
            )
        return check_reading(name, below=limit).number, True, own
    if value["value"] is None:  # an instrument that has nothing to say, and says why
        return None, False, own
    return *_number(column, value["value"], own), own


_OBJECT_FORM: Final = '{"value": 41.2} or {"below": 0.5}, with "quality" beside it where it is not good'


def _number(column: int, value: object, quality: Quality | None) -> tuple[float, bool]:
    if isinstance(value, str):
        return limit_of(column, value), True
    number = _finite(value)
    if number is None:
        raise ImpossibleError(f"{_described(value)} is not a reading; {_number_form(NAMES[column])}")
    if quality is Quality.INVALID:  # kept as it came: what an instrument disowns is often out of all range
        return number, False
    return check_reading(NAMES[column], value=number).number, False


def _finite(value: object) -> float | None:
    """A JSON number as one that can be stored; None for anything else, true and 1e999 among it."""
    if type(value) not in (int, float):
        return None
    try:
        number = float(value)  # type: ignore[arg-type]
    except OverflowError:
        return None
    return number if abs(number) != float("inf") and number == number else None


def _quality(given: object) -> Quality | None:
    """None when it is good or not said.

    Raises:
        ImpossibleError: it is no quality.
    """
    if given is None or given == "good":
        return None
    if isinstance(given, str):
        try:
            return Quality(given)
        except ValueError:
            pass
    known = ", ".join(quality.value for quality in Quality)
    raise ImpossibleError(f"{_described(given)} is no quality; give one of {known}")


def _number_form(name: str) -> str:
    unit = BY_NAME[name].unit
    return (
        f'give a finite number in {unit} without quotation marks, or "<0.5" when below a limit of 0.5 {unit}'
    )


def _described(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f"the text {shown(value)}"
    if isinstance(value, (dict, list)):
        return "an object" if isinstance(value, dict) else "a list"
    return shown(value)
