"""Figures of the course of a unit, from ``tables/course.csv``; most are ours and say so there."""

from functools import cache

from app.science.tables import TableError, rows


@cache
def course_sign(sign: str, parameter: str) -> float:
    """One figure, in the unit of its row.

    Raises:
        TableError: if there is none of that name.
    """
    for row in rows("course"):
        if (row["sign"], row["parameter"]) == (sign, parameter):
            return float(row["value"])
    raise TableError(f"course.csv has no {sign} {parameter}")
