"""Duval's triangle 4: low-temperature faults and stray gassing, heard only after some zones of triangle 1."""

from typing import Final

from app.domain.judging.methods import duval_triangle_1
from app.domain.judging.methods.method import InFaultCall, ZoneMethod
from app.domain.judging.methods.words import shares_of
from app.science.diagnosis.triangles import (
    TRIANGLE_4_AFTER,
    TRIANGLE_4_GASES,
    TRIANGLE_4_ZONES,
    duval_triangle_4,
)

METHOD: Final = ZoneMethod(
    name="duval_triangle_4",
    title="Duval triangle 4",
    gases=TRIANGLE_4_GASES,
    codes=TRIANGLE_4_ZONES,
    says=duval_triangle_4,
    because=shares_of(TRIANGLE_4_GASES),
    after=(duval_triangle_1.METHOD, TRIANGLE_4_AFTER),
    tables={
        "duval_triangle_4": "Duval triangle 4: corners of the zones, %",
        "duval_triangle_4_limits": "Duval triangle 4: limits of the zones, %",
    },
    fault=InFaultCall(supports=True, stray=True),
)
