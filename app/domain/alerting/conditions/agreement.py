"""An instrument does not agree with the laboratory."""

from typing import Final

from app.domain.alerting.condition import Grade, Look, OfReadings
from app.domain.alerting.conditions.of_one import about_readings, said_of
from app.domain.alerting.notices import Facts, NextSteps, Said
from app.domain.alerting.states import Reason
from app.domain.instruments.agreement import Agreed
from app.domain.instruments.agreement import Agreement as OneGas
from app.science.quantities import BY_NAME

LESS_THAN_HALF: Final = -0.5
"""Bias of a gas of which the instrument reads less than half."""


class Agreement(OfReadings):
    """Severities are our own choice. It is about the instrument: it lowers no alert about the transformer."""

    name = "agreement"
    title = "Against the laboratory"
    grades = (
        Grade(1, "out of its band", "a gas differs from the laboratory by more than the band"),
        Grade(2, "far out of its band", "hydrogen or acetylene does, or of some gas less than half is read"),
    )
    cases = ("against_laboratory",)
    over = "Agrees with the laboratory"
    disputes_laboratory = True

    def seen(self, look: Look) -> tuple[int, str]:
        """2 where acetylene or hydrogen is out of the band or a gas is read at less than half, else 1."""
        out = [a for a in look.agreement if a.agreed is Agreed.OUT_OF_BAND]
        if not out:
            return 0, ""
        grave = any(a.quantity in {"h2", "c2h2"} or (a.relative and a.bias < LESS_THAN_HALF) for a in out)
        return (2 if grave else 1), f"against the laboratory: {', '.join(map(_bias, out))}"

    def said(self, facts: Facts) -> Said:
        """How far it is off."""
        if facts.change.reason is Reason.RETURNED:
            short = "agrees with the laboratory again"
            return said_of(facts, short, "Its readings are within the band again.")
        return said_of(facts, "disagrees with the laboratory", about_readings(facts))

    def steps(self, facts: Facts) -> NextSteps | None:
        """Look, compare once more, have it serviced."""
        if facts.change.reason is Reason.RETURNED:
            return None
        return NextSteps("against_laboratory", {"unit": facts.only.instrument.asset_code})


def _bias(one: OneGas) -> str:
    symbol = BY_NAME[one.quantity].symbol
    if one.relative:
        return f"{symbol} {100 * one.bias:+.0f} %"
    return f"{symbol} {one.bias:+.2g} {BY_NAME[one.quantity].unit}"


AGREEMENT: Final = Agreement()
