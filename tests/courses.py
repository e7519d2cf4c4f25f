"""`python -m tests.courses`: courses of units played through the services sample by sample, as it was known then.

Prints what is said where something changes, and which expectations are not met; ``--out FILE`` writes it as Markdown.
`python -m tests.courses simulate`: thousands of units through the engine, flat and rising.
"""

import argparse
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent / "course"))

from course_list import COURSES, play_named
from course_model import Course, Seen
from course_stage import broken, migrated
from course_table import page, table


def main() -> None:
    if sys.argv[1:2] == ["simulate"]:
        import course_simulation

        course_simulation.main(sys.argv[2:])
        return
    parser = argparse.ArgumentParser(prog="python -m tests.courses", description=__doc__)
    parser.add_argument("--only", nargs="*", metavar="NAME", help="courses whose names begin so")
    parser.add_argument("--out", type=Path, help="write the whole table into this file")
    parser.add_argument("--quiet", action="store_true", help="print only what is not as expected")
    parser.add_argument("--processes", type=int, default=1)
    given = parser.parse_args()
    chosen = [c for c in COURSES if not given.only or c.name.startswith(tuple(given.only))]
    found: list[tuple[Course, list[Seen]]] = []
    with migrated() as empty, ProcessPoolExecutor(given.processes) as pool:
        names = [c.name for c in chosen]
        for course, seen in zip(chosen, pool.map(partial(play_named, empty), names), strict=True):
            found.append((course, seen))
            if not given.quiet:
                sys.stdout.write("\n".join(table(course, seen)) + "\n\n")
            sys.stdout.flush()
    sys.stdout.write(_failures(found))
    if given.out:
        given.out.write_text(page(found), encoding="utf-8")


def _failures(found: Sequence[tuple[Course, list[Seen]]]) -> str:
    wrong = [(part, c.name, words, what) for c, seen in found for part, words, what in broken(c, seen)]
    lines = [f"{part:7} {name}: expected {words}: {what}" for part, name, words, what in sorted(wrong)]
    counted = (
        f"{len(wrong)} of {sum(len(c.expects) for c, _ in found)} expectations of {len(found)} courses fail"
    )
    return "\n".join([*lines, counted, ""])


if __name__ == "__main__":
    main()
