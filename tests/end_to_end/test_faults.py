"""What was answered "stored" is there after every fault, once, judged; alerts are raised once, mails get out.

The same rounds as `python -m tests.benchmarks faults` (which does a hundred kills), only fewer of them.
"""

import os
import random

import pytest
from fault_counts import table
from fault_hurts import KINDS
from fault_stage import run
from small_disk import NoSmallDiskError

ROUNDS = {"app, SQLite": 2, "PostgreSQL": 2}
"""Of the others there is one."""


def kinds() -> list[object]:
    """On PostgreSQL only where there is one."""
    marks = {"postgresql": [pytest.mark.postgresql]}
    return [pytest.param(name, marks=marks.get(kind.store, []), id=name) for name, kind in KINDS.items()]


@pytest.mark.parametrize("name", kinds())
def test_nothing_is_lost_doubled_or_left_unjudged(name: str, request: pytest.FixtureRequest) -> None:
    kind = KINDS[name]
    if kind.store == "postgresql":
        request.getfixturevalue("postgresql_server")  # skips, or fails in CI, where there is none
    seed = random.SystemRandom().randrange(10**6)
    try:
        count = run(name, kind, ROUNDS.get(name, 1), seed, hurry=True)
    except NoSmallDiskError as error:
        if os.environ.get("CI") == "true" and os.geteuid() == 0:
            raise
        pytest.skip(f"no small disk can be mounted here ({error}); as root it can")
    print(f"seed {seed}\n{table([count])}")  # noqa: T201 - shown by pytest when the test fails
    assert count.wrong == []
    assert count.kills == ROUNDS.get(name, 1)
    assert count.figures["sent"] == count.figures["present"] == count.figures["judged"] > 0
    assert count.figures["lost"] == count.figures["twice"] == count.figures["raised twice"] == 0
    assert count.figures["mails"] == count.figures["delivered"]
