"""A test of the oil lies outside its limits: breakdown voltage, acidity, interfacial tension, dissipation factor."""

from typing import Final

from app.domain.alerting.condition import Grade
from app.domain.alerting.conditions.of_findings import OfFindings


class Oil(OfFindings):
    """One bad result asks for the test to be repeated; a second one counts."""

    name = "oil"
    title = "Oil tests"
    short = "oil tests"
    over = "The oil's tests are within their limits"
    grades = (
        Grade(1, "repeat the test", "one result stands out: no decision is made on one test"),
        Grade(2, "poor", "a result stands out again, or one by far: the oil needs work"),
        Grade(3, "very poor", "the breakdown voltage is far below its lowest value, again"),
    )


OIL: Final = Oil()
