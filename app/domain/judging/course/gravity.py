"""Gravity: what a sample shows by itself, given how the course stands with it."""

from typing import Final

import numpy as np

from app.domain.judging.course.record import Ground, Record
from app.domain.judging.course.signs import URGENT
from app.domain.judging.course.states import ACTIVE, State, Step
from app.domain.judging.course.stretch import Quiet
from app.science.trends.course_signs import course_sign

EXTREME: Final = 4
KNOWN_EXTREME: Final = {True: 2, False: 3}
"""Of an extreme level that has not risen since: reviewed, or a year old and not reviewed."""
BY_LEVEL: Final = {True: (0, 1, 2), False: (0, 2, 3)}
"""By level class; True: that it does not rise is on record, by a quiet year or by a review."""
BY_SUSPECT: Final = (1, 2, 3)
"""By level class, of a change that measurement does not explain."""


def shown(record: Record, row: int, quiet: Quiet | None) -> tuple[int, tuple[Ground, ...]]:
    """The gravity that this sample shows by itself, and on what grounds."""
    signs = record.signs
    whole = int(
        (signs.told_level if record.state in ACTIVE else signs.level)[row]
    )  # what rises passes its limit
    level = max(whole, 0)
    far = signs.told_level[row] == 2 or bool(signs.is_extreme[row])
    if quiet is not None:
        level = max(level, quiet.level)
    found: dict[Ground, int] = {}
    # of a doubtful sample only what is not in doubt, unless it is far above
    own = whole if far or not signs.doubtful[row] else int(signs.sound_level[row])
    if own >= 0:
        _by_level(record, row, (own, level if own == whole else own), found)
    if signs.doubtful[row]:
        found[Ground.DOUBT] = 1
    if signs.blind[row]:
        found[Ground.BLIND] = 1
    if signs.suspect[row]:
        plain = bool(signs.suspect_rise[row] and signs.plain[row]) and (far or not signs.doubtful[row])
        found[Ground.SUSPECT] = BY_SUSPECT[level] if plain else 1
    _by_state(record, row, level, found)
    if record.state is State.FALLEN:
        found[Ground.FALLEN] = 2 if Step.FALLEN in record.steps and record.gravity == 2 else 1
    shown = max(found.values(), default=0)
    return shown, tuple(g for g in Ground if found.get(g) == shown) if shown else ()


def _by_level(record: Record, row: int, levels: tuple[int, int], found: dict[Ground, int]) -> None:
    """``levels``: of the sample, and the worst that counts with it."""
    signs, (own, level) = record.signs, levels
    if own > record.level:
        record.level = own
        record.steps.add(Step.TABLE_CROSSED)
        record.time = np.nan  # that was to the limit before
    found[Ground.KNOWN_LEVEL if record.settled else Ground.LEVEL] = BY_LEVEL[record.settled][level]
    if signs.is_extreme[row]:
        extreme = signs.extreme[row]
        old = record.settled & (signs.value[row] <= record.known * (1.0 + course_sign("change", "noise")))
        if bool((old | ~extreme).all()):
            found[Ground.KNOWN_EXTREME] = KNOWN_EXTREME[record.reviewed]
        else:
            found[Ground.EXTREME] = EXTREME
            if record.gravity < EXTREME:
                record.steps.add(Step.EXTREME)
    if level > 0 and not record.settled and signs.fault[row] in URGENT:
        found[Ground.FAULT] = 3


def _by_state(record: Record, row: int, level: int, found: dict[Ground, int]) -> None:
    signs = record.signs
    if record.state is State.ACCELERATING:
        found[Ground.ACCELERATING] = 3 if record.was_confirmed or level == 2 else 2
    if record.state in ACTIVE and record.was_confirmed:
        found[Ground.CONFIRMED] = 3 if level == 2 or signs.has_rate[row] else 2
    if record.state is State.RISING:
        found[Ground.RISING] = 2 if signs.near[row] or level > 0 else 1
    if record.state in ACTIVE and record.days < course_sign("time", "soon"):
        found[Ground.TIME] = 3 if level > 0 else 2
    _other_fault(record, row, level)


def _other_fault(record: Record, row: int, level: int) -> None:
    """Another family of fault than was told: of the new gas at once, of the whole in two samples in a row."""
    signs = record.signs
    fault = str(signs.fault[row])
    if not fault or level == 0 or signs.suspect[row] or signs.doubtful[row]:
        return
    if not record.fault:
        record.fault = fault
    elif fault == record.fault:
        record.next_fault = ""
    elif record.settled:
        record.fault = fault  # old gas that lies between two zones: told by nobody
    elif signs.fault_is_new[row] or record.next_fault == fault:
        record.fault, record.next_fault = fault, ""
        record.steps.add(Step.OTHER_FAULT)
    else:
        record.next_fault = fault
