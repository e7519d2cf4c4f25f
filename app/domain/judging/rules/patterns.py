"""Patterns: what each diagnostic method makes of the level of every sample, and whether it may speak at all."""

from typing import Final

from app.domain.judging.frame import SampleFrame
from app.domain.judging.methods import METHODS
from app.domain.judging.methods.asking import Speech, ask
from app.domain.judging.methods.method import Answers
from app.domain.judging.rules.levels import Levels
from app.domain.judging.rules.rule import Rule

Patterns = dict[str, Answers]
"""By the name of the method, in the order of the registry."""


def judge_patterns(frame: SampleFrame, levels: Levels) -> Patterns:
    """All methods on the level of every sample."""
    speech = Speech.of(frame, levels)
    said: Patterns = {}
    for method in METHODS:
        said[method.name] = ask(method, frame, levels, speech, said)
    return said


PATTERNS: Final = Rule(judge_patterns, ("frame", "levels"))
