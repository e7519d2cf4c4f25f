"""What each diagnostic method says of one row, with the ratios or shares that led to it, or why it is silent."""

from collections.abc import Mapping
from dataclasses import fields
from typing import Final

from app.domain.findings import MethodCall
from app.domain.judging.engine import Judgement
from app.domain.judging.methods import METHODS, ZONE_METHODS
from app.domain.judging.methods.bars import WORDS, Bar, bar_words
from app.domain.judging.methods.method import Answers, Method, ZoneMethod
from app.domain.judging.rules.increments import Increment, Increments
from app.science.quantities import NORM_GASES

_SILENT: Final = {int(bar): MethodCall(None, False, words) for bar, words in WORDS.items()}
"""What a silent method says whatever the row: nearly all that is said of a quiet one."""


def methods_of(judgement: Judgement, row: int) -> dict[str, MethodCall]:
    """All methods on the level, by name."""
    return {method.name: _call(judgement, row, method) for method in METHODS}


def increments_of(judgement: Judgement, row: int) -> dict[str, MethodCall]:
    """The zone methods on the new gas alone: since the reference sample and since the baseline began."""
    found = {}
    for kind in fields(judgement.increments):
        increment = getattr(judgement.increments, kind.name)
        for method in ZONE_METHODS:
            if method.tells_increment:
                found[f"{method.name}/{kind.name}"] = _increment_call(increment, method, row)
    return found


def in_order(calls: Mapping[str, MethodCall]) -> list[tuple[str, MethodCall]]:
    """Calls by :func:`methods_of` or :func:`increments_of` in the order of the registry; unknown names come last.

    PostgreSQL keeps the keys of a stored assessment in an order of its own.
    """
    alone = [f"{m.name}/{kind.name}" for kind in fields(Increments) for m in ZONE_METHODS]
    place = {name: i for i, name in enumerate([*(m.name for m in METHODS), *alone])}
    return sorted(calls.items(), key=lambda call: place.get(call[0], len(place)))


def codes_of(judgement: Judgement, row: int) -> dict[str, str]:
    """What the methods that speak say of the level, by name."""
    answers = judgement.patterns
    return {m.name: _code(m, answers[m.name], row) for m in METHODS if answers[m.name].bar[row] == Bar.NONE}


def why_silent(judgement: Judgement, row: int, method: Method) -> str:
    """Why a method that does not speak of the level of a row is silent."""
    return _call(judgement, row, method).why


def _code(method: Method, answers: Answers, row: int) -> str:
    return method.joint.join(answers.of(row))


def _call(judgement: Judgement, row: int, method: Method) -> MethodCall:
    answers = judgement.patterns[method.name]
    number = answers.bar.item(row)
    if number in _SILENT:
        return _SILENT[number]
    bar = Bar(number)
    if bar is Bar.NONE:
        words = method.because(method.readings(judgement.frame, row))
        if len(answers.of(row)) > 1:
            words += method.several
        return MethodCall(_code(method, answers, row), True, words)
    if bar is Bar.NO_CASE and method.without is not None:
        return MethodCall(None, False, method.without(method.readings(judgement.frame, row)))
    return MethodCall(None, False, bar_words(bar, judgement.frame, row, method.gases))


def _increment_call(increment: Increment, method: ZoneMethod, row: int) -> MethodCall:
    answers = increment.answers[method.name]
    number = answers.bar.item(row)
    if number != Bar.NONE:
        return _SILENT[number]
    gained = [float(increment.gained[row, NORM_GASES.index(gas)]) for gas in method.reads]
    return MethodCall(_code(method, answers, row), True, method.because(gained))
