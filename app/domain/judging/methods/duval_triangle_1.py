"""Duval's triangle 1: the six basic faults and their mixture DT, from methane, ethylene and acetylene."""

from typing import Final

from app.domain.judging.methods.method import InFaultCall, Picture, ZoneMethod
from app.domain.judging.methods.words import shares_of
from app.science.diagnosis.triangles import (
    TRIANGLE_1_GASES,
    TRIANGLE_1_VERTICES,
    TRIANGLE_1_ZONES,
    duval_triangle_1,
)

METHOD: Final = ZoneMethod(
    name="duval_triangle_1",
    title="Duval triangle 1",
    gases=TRIANGLE_1_GASES,
    codes=TRIANGLE_1_ZONES,
    says=duval_triangle_1,
    because=shares_of(TRIANGLE_1_GASES),
    tables={
        "duval_triangle_1": "Duval triangle 1: corners of the zones, %",
        "duval_triangle_1_limits": "Duval triangle 1: limits of the zones, %",
    },
    fault=InFaultCall(weighed_as="triangle_1", supports=True, witness=True),
    on_increment=True,
    tells_increment=True,
    drawn=True,
    picture=Picture("triangle", TRIANGLE_1_VERTICES, "IEEE C57.104-2019, Table 6"),
)
