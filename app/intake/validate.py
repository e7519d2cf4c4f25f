"""Checks that every door shares: is this number possible for this quantity, is this time possible at all?

Both raise :class:`ImpossibleError`, whose text says what is wrong and how to mend it.
"""

import math
from datetime import UTC, datetime, timedelta
from typing import Final

from app.domain.model import Reading
from app.errors import GivenError
from app.science.quantities import BY_NAME

WITHOUT_LIMIT: Final = frozenset({"oil_temperature", "ambient_temperature", "load", "relative_saturation"})
"""Quantities that are read off, not detected: "below 20 °C" is no reading of them."""

CLOCK_TOLERANCE: Final = timedelta(hours=1)
"""How far ahead of the server's clock a sample may be taken (common practice, no source)."""
EARLIEST_LABORATORY: Final = datetime(1950, 1, 1, tzinfo=UTC)
EARLIEST_ONLINE: Final = datetime(1990, 1, 1, tzinfo=UTC)
"""After the epochs that a clock which was never set starts from (1970, 1980)."""
FARTHEST_AHEAD: Final = timedelta(days=3653)
"""No clock is ten years fast: a time beyond is refused whatever the clock rule says (our choice)."""


class ImpossibleError(GivenError, ValueError):
    """A number or a time that cannot be; the message says why and how to mend it."""


def check_reading(quantity: str, value: float | None = None, below: float | None = None) -> Reading:
    """A reading in the quantity's own unit, or the reason why it cannot be.

    Raises:
        ImpossibleError: if the number is not finite, outside the physical range, or the detection limit is
            not positive or the quantity has none.
    """
    known = BY_NAME[quantity]
    number = value if value is not None else below
    if number is None or not math.isfinite(number):
        raise ImpossibleError(f"{known.label} must be a finite number in {known.unit}")
    if below is not None:
        if quantity in WITHOUT_LIMIT:
            raise ImpossibleError(f"{known.label} has no detection limit; give the number itself")
        if below <= 0:
            raise ImpossibleError(
                f"the detection limit of {known.label} must be above 0 {known.unit}, not {below:g}"
            )
    if known.minimum is not None and number < known.minimum:
        if known.minimum == 0:
            raise ImpossibleError(
                f"{known.label} cannot be negative ({number:g} {known.unit});"
                ' if it was below the detection limit L, write "<L"'
            )
        raise ImpossibleError(_outside(quantity, number))
    if known.maximum is not None and number > known.maximum:
        raise ImpossibleError(_outside(quantity, number))
    return Reading(quantity, value=value, below=below)


def _outside(quantity: str, number: float) -> str:
    known = BY_NAME[quantity]
    return (
        f"{known.label} of {number:g} {known.unit} is outside the possible range"
        f" {known.minimum:g} to {known.maximum:g} {known.unit}; check the unit"
    )


def check_time(
    at: datetime, now: datetime, earliest: datetime, ahead: timedelta = CLOCK_TOLERANCE
) -> datetime:
    """The time in UTC, or the reason why a sample cannot have been taken then.

    Raises:
        ImpossibleError: if it is more than ``ahead`` after ``now`` or before ``earliest``.
    """
    try:
        utc = at.astimezone(UTC)
    except OverflowError:
        raise ImpossibleError(f"the year {at.year} is out of range") from None
    if utc > now + ahead:
        raise ImpossibleError(
            f"{utc:%Y-%m-%d %H:%M:%S} UTC is in the future (it is {now.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC);"
            " check the clock and the time zone"
        )
    if utc < earliest:
        raise ImpossibleError(
            f"{utc.date().isoformat()} is before {earliest.date().isoformat()}; check the date, or whether"
            " the clock was ever set"
        )
    return utc
