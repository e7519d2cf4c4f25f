"""What was said of each course, as Markdown: the samples where something changes."""

from collections.abc import Iterator, Sequence
from itertools import pairwise

from course_model import Course, Seen
from course_stage import broken

HEAD = """# Courses

Units followed sample by sample through the services, each sample judged as it was known then. Written by
`python -m tests.courses --out docs/courses.md`; the courses and what is expected of them stand in `tests/course`.
Only the samples are shown at which something changes. Gravity: 0 quiet, 1 look again, 2 act in weeks, 3 act in days,
4 act at once. Alerts: condition and severity. All numbers are made up, but for the published series.
"""
COLUMNS = ("day", "what", "status", "course", "gravity", "urgency", "alerts", "mails", "first step", "due in")


def page(found: Sequence[tuple[Course, list[Seen]]]) -> str:
    """The whole document."""
    parts = [HEAD]
    for course, seen in found:
        parts.append("\n".join(table(course, seen)) + "\n")
    return "\n".join(parts)


def table(course: Course, seen: list[Seen]) -> Iterator[str]:
    """One course."""
    yield f"## {course.name}"
    yield ""
    twin = f" Harmless twin: {course.twin}." if course.twin else ""
    yield f"{course.title}.{twin}"
    yield ""
    yield f"| {' | '.join(COLUMNS)} |"
    yield "|" + " --- |" * len(COLUMNS)
    first = seen[0].at
    for one in changing(seen):
        yield f"| {' | '.join(_cells(one, (one.at - first).days))} |"
    for part, words, what in broken(course, seen):
        yield f"\nNot as expected ({part}): {words}: {what}"


def changing(seen: Sequence[Seen]) -> list[Seen]:
    """The first, the last, and each that says something else than the one before."""
    found = [seen[0]]
    found += [after for before, after in pairwise(seen) if _key(before) != _key(after) or after.mails]
    if found[-1] is not seen[-1]:
        found.append(seen[-1])
    return found


def _key(one: Seen) -> tuple[object, ...]:
    alerts = tuple(sorted(one.alerts.items()))
    return one.status, one.suspect, one.state, one.gravity, one.urgency, alerts


def _cells(one: Seen, days: int) -> tuple[str, ...]:
    status = "none" if one.status is None else str(one.status)
    return (
        str(days),
        one.what,
        f"{status}, suspect" if one.suspect else status,
        one.state or "-",
        "-" if one.gravity is None else str(one.gravity),
        one.urgency or "-",
        ", ".join(f"{c} {s}" for c, s in sorted(one.alerts.items())) or "none",
        str(len(one.mails)),
        one.steps[0].replace("|", "/") if one.steps else "-",
        "-" if one.days is None else f"{one.days} d",
    )
