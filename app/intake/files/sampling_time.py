"""When a sample was taken, from the cells of its date and its time of day, by the formats a profile declares."""

from datetime import date, datetime, time

from app.errors import GivenError
from app.intake.files.grid import Cell, text_of
from app.intake.files.profile import SamplingTime, says_the_hour
from app.intake.numbers import shown

_EXAMPLE = datetime.fromisoformat("2026-03-31T14:05:00+00:00")


class NoTimeError(GivenError, ValueError):
    """The cells say no time; the message says why. ``of_the_clock``: it is the time of day that is wrong."""

    def __init__(self, reason: str, *, of_the_clock: bool = False) -> None:
        super().__init__(reason)
        self.of_the_clock = of_the_clock


class TimeReader:
    """Reads the times of one file. Real dates of a workbook are taken as they are, texts by the formats."""

    def __init__(self, spec: SamplingTime) -> None:
        self.spec = spec
        self.full_formats = tuple(form for form in spec.formats if says_the_hour(form))
        heads = (form.split()[0] for form in spec.formats)
        self.day_formats = tuple(dict.fromkeys(form for form in heads if not says_the_hour(form)))
        self.form = " or ".join(f"like {_EXAMPLE.strftime(form)}" for form in spec.formats)

    def read(self, when: Cell, clock: Cell) -> datetime:
        """The time as written: naive, or aware where the profile says that the offset is written.

        Raises:
            NoTimeError: if the cells are empty, in no declared format, or mean two different times.
        """
        if when == "":
            raise NoTimeError(f"is empty; write when the sample was taken, {self.form}")
        if isinstance(when, str) and (clock == "" or isinstance(clock, str)):
            return self._written(when, str(clock))
        if isinstance(when, float | time):
            raise NoTimeError(
                f"{shown(text_of(when))} is no date but a number or a time of day; format the cell as a date"
            )
        if self.spec.zone == "offset":
            raise NoTimeError("a real date has no UTC offset; write the time as text with its offset")
        if isinstance(when, datetime) and clock == "":
            return when
        day = self._day(when) if isinstance(when, str) else when
        if day is None:
            raise NoTimeError(f"{shown(text_of(when))} is not a date, {self.form}")
        return datetime.combine(day, self._clock(clock))

    def _written(self, day: str, clock: str) -> datetime:
        written = f"{day} {clock}".strip()
        found = self._parsed(written, self.full_formats)
        if found is not None:
            return found
        if not clock and self.spec.assumed is not None:
            on = self._day(day)
            if on is not None:
                return datetime.combine(on, self.spec.assumed)
        if not clock and self.spec.time and self._day(day):
            raise NoTimeError(f"is empty; write the time of day, {self.form}", of_the_clock=True)
        raise NoTimeError(f"{shown(written)} is not a date and time, {self.form}")

    def _day(self, text: str) -> datetime | None:
        return self._parsed(text, self.day_formats)

    def _parsed(self, text: str, formats: tuple[str, ...]) -> datetime | None:
        """The time in the one format that fits; refused when two fit and disagree."""
        found: datetime | None = None
        for form in formats:
            try:
                read = datetime.strptime(text, form)  # noqa: DTZ007 - the zone follows with the unit's site
            except ValueError:
                continue
            if found is not None and found != read:
                raise NoTimeError(
                    f"{shown(text)} may be {_in_words(found)} or {_in_words(read)};"
                    " write it so that only one is possible, or declare one format in the profile"
                )
            found = read
        return found

    def _clock(self, clock: Cell) -> time:
        if isinstance(clock, datetime):
            return clock.time()
        if isinstance(clock, time):
            return clock
        if clock == "":
            if self.spec.assumed is not None:
                return self.spec.assumed
            raise NoTimeError(
                f"says no time of day; write it, {self.form}", of_the_clock=self.spec.time is not None
            )
        parts = tuple(form.split(maxsplit=1)[1] for form in self.full_formats if " " in form)
        found = self._parsed(clock, parts) if isinstance(clock, str) else None
        if found is None:
            raise NoTimeError(f"{shown(text_of(clock))} is not a time of day, {self.form}", of_the_clock=True)
        return found.time()


def _in_words(at: datetime | date) -> str:
    return f"{at.day} {at:%B %Y}"
