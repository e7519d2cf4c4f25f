"""The oil is wet: near saturation, near free water on cooling, or near bubbles under load."""

from typing import Final

from app.domain.alerting.condition import Grade
from app.domain.alerting.conditions.of_findings import OfFindings


class Water(OfFindings):
    """Of an instrument only by its daily medians; a laboratory's sample speaks by itself."""

    name = "water"
    title = "Water"
    short = "water in oil"
    over = "Water is within its limits"
    grades = (
        Grade(1, "look again", "above a limit once, or rising: sample the oil again while it is warm"),
        Grade(2, "wet", "the unit is wet; water may come out when it cools"),
        Grade(3, "very wet", "free water or bubbles are near"),
    )


WATER: Final = Water()
