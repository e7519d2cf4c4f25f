"""Duval's triangle 5: thermal faults told apart, heard only after T2 or T3 of triangle 1."""

from typing import Final

from app.domain.judging.methods import duval_triangle_1
from app.domain.judging.methods.method import InFaultCall, ZoneMethod
from app.domain.judging.methods.words import shares_of
from app.science.diagnosis.triangles import (
    TRIANGLE_5_AFTER,
    TRIANGLE_5_GASES,
    TRIANGLE_5_ZONES,
    duval_triangle_5,
)

METHOD: Final = ZoneMethod(
    name="duval_triangle_5",
    title="Duval triangle 5",
    gases=TRIANGLE_5_GASES,
    codes=TRIANGLE_5_ZONES,
    says=duval_triangle_5,
    because=shares_of(TRIANGLE_5_GASES),
    after=(duval_triangle_1.METHOD, TRIANGLE_5_AFTER),
    tables={
        "duval_triangle_5": "Duval triangle 5: corners of the zones, %",
        "duval_triangle_5_limits": "Duval triangle 5: limits of the zones, %",
    },
    fault=InFaultCall(supports=True),
)
