"""What a rule is: columns made of the samples and of the columns of earlier rules.

The registry of rules is the body of :class:`~app.domain.judging.engine.Judgement`: one line a rule, in the order in
which the engine walks them. A rule is worked out once a judgement, and as an attribute of the judgement it *is* the
columns it makes.
"""

from collections.abc import Callable
from typing import Any, Generic, Self, TypeVar, overload

Columns = TypeVar("Columns")


class Rule(Generic[Columns]):
    """One rule of the engine.

    Attributes:
        name: what it makes, by the name that later rules need it by; given by its line in the registry.
        judge: takes what the rule needs, in that order; returns columns, one row a sample.
        needs: inputs of the engine (``frame``, ``daily``, ``norming``) and names of earlier rules.
        at_once: worked out for every sample; any other rule only when its columns are first asked for, since of the
            thousands of readings of a quiet monitor nobody ever asks.
    """

    name: str

    def __init__(
        self, judge: Callable[..., Columns], needs: tuple[str, ...], *, at_once: bool = False
    ) -> None:
        self.judge = judge
        self.needs = needs
        self.at_once = at_once

    def __set_name__(self, owner: type, name: str) -> None:
        self.name = name

    @overload
    def __get__(self, judgement: None, owner: type) -> Self: ...
    @overload
    def __get__(self, judgement: Any, owner: type) -> Columns: ...

    def __get__(self, judgement: Any, owner: type) -> "Columns | Self":
        """The columns; kept in the judgement, where Python finds them before it comes here again."""
        if judgement is None:
            return self
        made = self.judge(*(getattr(judgement, name) for name in self.needs))
        judgement.__dict__[self.name] = made
        return made
