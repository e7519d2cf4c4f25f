"""Duval's pentagon 1: the six basic faults and stray gassing, from the five fault gases."""

from typing import Final

from app.domain.judging.methods.method import InFaultCall, Picture, ZoneMethod
from app.domain.judging.methods.words import shares_of
from app.science.diagnosis.pentagons import (
    PENTAGON_1_VERTICES,
    PENTAGON_1_ZONES,
    PENTAGON_GASES,
    duval_pentagon_1,
)

METHOD: Final = ZoneMethod(
    name="duval_pentagon_1",
    title="Duval pentagon 1",
    gases=PENTAGON_GASES,
    codes=PENTAGON_1_ZONES,
    says=duval_pentagon_1,
    because=shares_of(PENTAGON_GASES),
    tables={"duval_pentagon_1": "Duval pentagon 1: corners of the zones"},
    fault=InFaultCall(supports=True, witness=True, stray=True),
    on_increment=True,
    tells_increment=True,
    drawn=True,
    picture=Picture("pentagon", PENTAGON_1_VERTICES, "IEEE C57.104-2019, D.3"),
)
