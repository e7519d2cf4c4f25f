"""The sentences of the course; shown as they stand wherever the course is shown."""

from typing import Final

from app.domain.findings import Course
from app.domain.judging.course.record import Ground
from app.domain.judging.course.states import GRAVITY_WORDS, State

GROUND_WORDS: Final = {
    Ground.EXTREME: "a result is extreme",
    Ground.KNOWN_EXTREME: "a gas stands at an extreme level, and that it has not risen since is on record",
    Ground.ACCELERATING: "the rate has doubled since the gassing was first told",
    Ground.CONFIRMED: "active gassing is confirmed",
    Ground.RISING: "the gas rises by more than chance",
    Ground.TIME: "at the rate of now the next limit is less than three months away",
    Ground.FAULT: "the zone of triangle 1 is one of high temperature or high energy",
    Ground.SUSPECT: "a change is not confirmed yet",
    Ground.LEVEL: "gas stands above its norms, and that it does not rise is not on record yet",
    Ground.KNOWN_LEVEL: "gas stands above its norms, and that it does not rise is on record",
    Ground.FALLEN: "nobody has recorded why the gas fell",
    Ground.DOUBT: "the sample itself is in doubt",
    Ground.BLIND: "a detection limit above its norm leaves a gas unjudged",
}
ACTIVE_GROUNDS: Final = frozenset({Ground.ACCELERATING, Ground.CONFIRMED, Ground.RISING})
AT_REST: Final = {
    State.STABLE_HIGH: "gas was high and had not risen since {}",
    State.FALLING: "gas had grown less since {}",
    State.ENDED: "gassing had ended after {}",
}
EASES: Final = (
    "It eases when work on the oil or a review of the unit is recorded, or after a year without gassing."
)


def state_sentence(state: State, since: str, last_sign: str | None, *, unsettled: bool = False) -> str:
    """Where the record has come to. ``since``, ``last_sign``: days at the site, ISO. ``unsettled``: this sample shows a
    rise that is not believed yet, so that what has been at rest is told of the samples before it."""
    if unsettled and state in AT_REST:
        return f"Up to the sample before {AT_REST[state].format(since)}; the next one shows whether that is over."
    if state is State.CONFIRMED:
        seen = "" if last_sign in {None, since} else f"; it was last seen on {last_sign}"
        return f"Active gassing began by {since}{seen}."
    return {
        State.QUIET: "The record up to here is quiet.",
        State.HIGH: f"Gas has stood above its norms since {since}; the record does not show yet whether it rises.",
        State.RISING: f"Gas has been rising since about {since}.",
        State.ACCELERATING: f"Gassing has become faster: by {since} the rate had doubled.",
        State.STABLE_HIGH: f"Gas is high, and has not risen since {since}.",
        State.FALLING: f"Gas has grown less since {since}.",
        State.ENDED: f"Gassing has ended: samples of a year and more show none after {since}.",
        State.FALLEN: (
            f"Gas fell by {since}, by more than measurement explains, and no work on the oil is on record: was the "
            "oil treated? Record it, or ask for what else let the gas out."
        ),
    }[state]


def online_sentence(course: Course, *, goes_on: bool) -> str:
    """Where the on-line series has come to by its newest look. ``goes_on``: what rises did so up to its last day."""
    state, upto = State(course.state), f"By the days up to {course.as_of}"
    if state is State.RISING:
        if goes_on:
            return f"{upto} gas has been rising on-line since about {course.since}."
        return f"{upto} gas rose on-line within a year, from about {course.since}; it does not now."
    return {
        State.HIGH: f"{upto} gas has stood above its norms since {course.since}; whether it rises is not known yet.",
        State.STABLE_HIGH: f"{upto} gas is high, and has not been seen to rise since {course.since}.",
        State.FALLING: f"{upto} gas has grown less since {course.since}.",
        State.ENDED: f"{upto} no gas has been made for a year and more; it rose up to {course.since}.",
    }.get(state, f"{upto} the on-line record is quiet.")


def newer_sentence(gravity: int) -> str:
    """Of a reading that is graver than the course told before it."""
    return f"The reading after that is graver by itself: gravity {gravity}, {GRAVITY_WORDS[gravity]}."


def gravity_sentence(gravity: int, grounds: tuple[Ground, ...]) -> str:
    """How grave it is and on what grounds; for a gravity that is held, those of this sample are not named."""
    words = f"Gravity {gravity}, {GRAVITY_WORDS[gravity]}"
    active = ACTIVE_GROUNDS & set(grounds)
    because = "; ".join(GROUND_WORDS[g] for g in grounds if not (active and g is Ground.LEVEL))
    return f"{words}: {because}." if because else f"{words}."


def held_sentence(gravity: int, shown: int) -> str:
    """Of a gravity above that which the sample shows by itself."""
    return (
        f"Gravity {gravity}, {GRAVITY_WORDS[gravity]}: the course has been as grave before and nothing on record has "
        f"ended it, though this sample by itself shows {shown}. {EASES}"
    )
