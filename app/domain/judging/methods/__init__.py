"""The diagnostic methods, one file each: its science, when it may speak, its words, its tables, what it judges, its
picture. Whatever lists methods (the engine, exports, tables on pages, norms, the trace, the light view of readings, the
fault call) reads :data:`METHODS`. Not: what the methods together mean (reporting.fault)."""

from typing import Final

from app.domain.judging.methods import (
    cigre_signs,
    doernenburg_ratios,
    duval_pentagon_1,
    duval_pentagon_2,
    duval_triangle_1,
    duval_triangle_4,
    duval_triangle_5,
    iec_599_codes,
    iec_60599_ratios,
    key_gas,
    rogers_ratios,
)
from app.domain.judging.methods.method import Method, Picture, ZoneMethod

METHODS: Final[tuple[Method, ...]] = (
    duval_triangle_1.METHOD,
    duval_triangle_4.METHOD,
    duval_triangle_5.METHOD,
    duval_pentagon_1.METHOD,
    duval_pentagon_2.METHOD,
    iec_60599_ratios.METHOD,
    rogers_ratios.METHOD,
    doernenburg_ratios.METHOD,
    key_gas.METHOD,
    iec_599_codes.METHOD,
    cigre_signs.METHOD,
)
"""In the order in which they are asked and shown; one that is heard only after another stands behind it."""

ZONE_METHODS: Final = tuple(method for method in METHODS if isinstance(method, ZoneMethod))
PICTURED: Final[tuple[tuple[ZoneMethod, Picture], ...]] = tuple(
    (method, method.picture) for method in ZONE_METHODS if method.picture is not None
)
TITLES: Final = {method.name: method.title for method in METHODS}
