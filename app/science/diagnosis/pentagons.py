"""Duval pentagons 1 and 2: which fault zone the centroid of five gas shares lies in.

Corners are read from ``tables/duval_pentagon_*.csv``.
"""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.diagnosis.triangles import percentages
from app.science.diagnosis.zones import DECIMALS, PolygonMap
from app.science.tables import rows

__all__ = [
    "PENTAGON_1_VERTICES",
    "PENTAGON_1_ZONES",
    "PENTAGON_2_VERTICES",
    "PENTAGON_2_ZONES",
    "PENTAGON_GASES",
    "PENTAGON_SUMMITS",
    "centroid",
    "duval_pentagon_1",
    "duval_pentagon_2",
]

Floats = NDArray[np.float64]

PENTAGON_GASES: Final = ("h2", "c2h6", "ch4", "c2h4", "c2h2")
"""The gases in the order of the summits, counter-clockwise from the top."""

# unit vectors at 90, 162, 234, 306 and 18 degrees; mirrored exactly, so that symmetric shares give x = 0
_C18, _S18, _C54, _S54 = (
    float(f(np.radians(a))) for a, f in ((18, np.cos), (18, np.sin), (54, np.cos), (54, np.sin))
)
_DIRECTIONS: Final = ((0.0, 1.0), (-_C18, _S18), (-_C54, -_S54), (_C54, -_S54), (_C18, _S18))

PENTAGON_SUMMITS: Final = {
    gas: (40.0 * x, 40.0 * y) for gas, (x, y) in zip(PENTAGON_GASES, _DIRECTIONS, strict=True)
}
"""Gas to the (x, y) of its summit as the figure is drawn, at 40 % of the gas."""


def centroid(
    h2: ArrayLike, c2h6: ArrayLike, ch4: ArrayLike, c2h4: ArrayLike, c2h2: ArrayLike
) -> tuple[Floats, Floats]:
    """Area centroid of the polygon whose corners are the shares of the five gases on their axes.

    Args:
        h2: hydrogen. [µL/L]
        c2h6: ethane. [µL/L]
        ch4: methane. [µL/L]
        c2h4: ethylene. [µL/L]
        c2h2: acetylene. [µL/L]

    Returns:
        (x, y) arrays of the broadcast shape, in the scale of the published corners (hydrogen upwards); NaN
        where the sum is zero or a gas is missing or negative.

    Notes:
        The polygon is the sum of five triangles between the origin and neighbouring corners. With p the shares
        in percent and u the unit vectors of the axes, the triangle of gases i and i+1 weighs p_i p_(i+1) and has its
        centroid at (p_i u_i + p_(i+1) u_(i+1))/3, so that

            C = sum(p_i p_(i+1) (p_i u_i + p_(i+1) u_(i+1))) / (3 sum(p_i p_(i+1))),

        which is the shoelace centroid without its cancellation. Where no two neighbouring gases are present the
        polygon has no area; the limit for equal, vanishing shares of the missing gases is taken:
        C = sum(p_i^2 u_i) / (3 sum(p_i)). It is reached continuously only from equal shares, so the zone of such a
        composition deserves less trust. No composition reaches further out than 100/3.

    References:
        1. IEEE Std C57.104-2019, Annex D.5 (order of the summits, corners of the zones).
        2. Laboratory technical note on how the triangle and the pentagon are constructed, undated (area-weighted
           centroid; direction of the axes inferred from 1).
    """
    shares = percentages(h2, c2h6, ch4, c2h4, c2h2)
    weight = [shares[i] * shares[(i + 1) % 5] for i in range(5)]
    area = sum(weight[1:], weight[0])
    flat = area == 0.0
    moments = []
    for axis in range(2):
        leg = [p * u[axis] for p, u in zip(shares, _DIRECTIONS, strict=True)]
        spread = sum((weight[i] * (leg[i] + leg[(i + 1) % 5]) for i in range(5)), np.zeros(area.shape))
        limit = sum((p * x for p, x in zip(shares, leg, strict=True)), np.zeros(area.shape)) / 300.0
        moments.append(np.where(flat, limit, spread / np.where(flat, 1.0, 3.0 * area)))
    x, y = (np.asarray(np.round(m, DECIMALS), dtype=np.float64) for m in moments)
    return x, y


def duval_pentagon_1(
    h2: ArrayLike, c2h6: ArrayLike, ch4: ArrayLike, c2h4: ArrayLike, c2h2: ArrayLike
) -> NDArray[np.int8]:
    """Zone of Duval's pentagon 1: the six basic faults and stray gassing S.

    Args:
        h2: hydrogen. [µL/L]
        c2h6: ethane. [µL/L]
        ch4: methane. [µL/L]
        c2h4: ethylene. [µL/L]
        c2h2: acetylene. [µL/L]

    Returns:
        Index into :data:`PENTAGON_1_ZONES`, of the broadcast shape; -1 where the sum is zero or a gas is missing
        or negative.

    Notes:
        A centroid on an edge belongs to the zone on its left, on a horizontal edge to the one above
        (:class:`~app.science.diagnosis.zones.PolygonMap`); pure hydrogen is S. The corners are printed with two
        readings in two places; the one that neighbours share is taken (table, column note).

    References:
        1. IEEE Std C57.104-2019, Annex D.5.
    """
    return _MAP_1.classify(*centroid(h2, c2h6, ch4, c2h4, c2h2))


def duval_pentagon_2(
    h2: ArrayLike, c2h6: ArrayLike, ch4: ArrayLike, c2h4: ArrayLike, c2h2: ArrayLike
) -> NDArray[np.int8]:
    """Zone of Duval's pentagon 2: electrical faults as in pentagon 1, thermal ones as S, O, C and T3-H.

    Args:
        h2: hydrogen. [µL/L]
        c2h6: ethane. [µL/L]
        ch4: methane. [µL/L]
        c2h4: ethylene. [µL/L]
        c2h2: acetylene. [µL/L]

    Returns:
        Index into :data:`PENTAGON_2_ZONES`, of the broadcast shape; -1 as in :func:`duval_pentagon_1`.

    Notes:
        Edges as in :func:`duval_pentagon_1`. Zone C means possible carbonization of paper, to be checked with
        carbon oxides and furans.

    References:
        1. IEEE Std C57.104-2019, Annex D.5.
    """
    return _MAP_2.classify(*centroid(h2, c2h6, ch4, c2h4, c2h2))


def _corners(name: str) -> dict[str, list[tuple[float, float]]]:
    corners: dict[str, list[tuple[float, float]]] = {}
    for row in rows(name):
        corners.setdefault(row["zone"], []).append((float(row["x"]), float(row["y"])))
    return corners


_MAP_1 = PolygonMap(_corners("duval_pentagon_1"))
_MAP_2 = PolygonMap(_corners("duval_pentagon_2"))

PENTAGON_1_ZONES: Final = _MAP_1.names
"""PD, D1, D2, T3, T2, T1, S."""
PENTAGON_2_ZONES: Final = _MAP_2.names
"""PD, D1, D2, T3-H, C, O, S."""
PENTAGON_1_VERTICES: Final = {zone: np.array(ring) for zone, ring in _corners("duval_pentagon_1").items()}
"""Zone to its corners (x, y), shape (k, 2)."""
PENTAGON_2_VERTICES: Final = {zone: np.array(ring) for zone, ring in _corners("duval_pentagon_2").items()}
"""Zone to its corners (x, y), shape (k, 2)."""
