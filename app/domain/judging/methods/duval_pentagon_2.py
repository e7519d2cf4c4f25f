"""Duval's pentagon 2: the point of pentagon 1 on a map that tells thermal faults apart."""

from typing import Final

from app.domain.judging.methods.method import InFaultCall, ZoneMethod
from app.domain.judging.methods.words import shares_of
from app.science.diagnosis.pentagons import PENTAGON_2_ZONES, PENTAGON_GASES, duval_pentagon_2

METHOD: Final = ZoneMethod(
    name="duval_pentagon_2",
    title="Duval pentagon 2",
    gases=PENTAGON_GASES,
    codes=PENTAGON_2_ZONES,
    says=duval_pentagon_2,
    because=shares_of(PENTAGON_GASES),
    tables={"duval_pentagon_2": "Duval pentagon 2: corners of the zones"},
    fault=InFaultCall(weighed_as="pentagon_2", supports=True),
    on_increment=True,
    drawn=True,
)
