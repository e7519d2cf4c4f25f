"""The paper is old, ages fast, or takes part in a fault."""

from typing import Final

from app.domain.alerting.condition import Grade
from app.domain.alerting.conditions.of_findings import OfFindings


class Paper(OfFindings):
    """By furfural, as a band, and by the carbon oxides."""

    name = "paper"
    title = "Paper"
    short = "paper"
    over = "Nothing is found about the paper any more"
    grades = (
        Grade(1, "look again", "a first sign of ageing: take another sample with furans"),
        Grade(2, "aged", "the paper is late in its life, ages fast, or is part of a fault"),
        Grade(3, "near its end", "any stress can break the paper"),
    )


PAPER: Final = Paper()
