"""A bar on a terminal while a long work goes on; silence elsewhere."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Protocol

Tell = Callable[[str, int, int], None]
"""Called with what is being done, how much of it is done, and how much there is; 0: nobody knows."""


class TellOne(Protocol):
    """Called with how much is done and how much there is; 0: nobody knows."""

    def __call__(self, done: int, total: int = 0, /) -> None: ...


@contextmanager
def stages_bar() -> Iterator[Tell | None]:
    """A bar for each stage of a long work, on standard error where that is a terminal; else nothing."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskID, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(show_speed=True),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(stderr=True)) as progress:
        tasks: dict[str, TaskID] = {}

        def tell(stage: str, done: int, total: int) -> None:
            if stage not in tasks:
                tasks[stage] = progress.add_task(stage, total=total or None)
            progress.update(tasks[stage], completed=done, total=total or None)

        yield tell


@contextmanager
def bar(stage: str, *, to_stdout: bool = False) -> Iterator[TellOne | None]:
    """As :func:`stages_bar`, of one stage.

    Args:
        to_stdout: the results go to standard output meanwhile; where that is the terminal they show the progress.
    """
    if to_stdout and sys.stdout.isatty():
        yield None
        return
    with stages_bar() as tell:
        yield None if tell is None else lambda done, total=0: tell(stage, done, total)
