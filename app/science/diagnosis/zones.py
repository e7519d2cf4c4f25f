"""Zone maps: which zone of a diagram a point lies in, for millions of points at once.

Two kinds, one promise: a point has exactly one zone, edges included.

- :class:`LimitMap`: a zone is a union of boxes "from (included) - to (excluded)" over percentages, as a
  standard prints them in a table.
- :class:`PolygonMap`: a zone is a polygon in a plane, as a standard prints its corners.
"""

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Corners = Mapping[str, Sequence[tuple[float, float]]]

NOWHERE = -1
"""Zone number of a point that is NaN or infinite."""

DECIMALS = 9
"""Percentages and coordinates are rounded to this many decimals before they meet a limit, so that a
composition on an edge stays on it whatever scale it was measured in (7 and 3 of 10 are 70 and 30 %)."""

_BLOCK = 1 << 14  # points worked at a time: their scratch arrays stay in the processor's cache


class LimitMap:
    """Zones given by limits on percentages; from is included, to is excluded.

    Args:
        names: zones, in the order their numbers are given out.
        boxes: (zone, limits) pairs; limits holds one (from, to) pair per coordinate, None where open.

    Raises:
        ValueError: if a box names an unknown zone.
    """

    def __init__(
        self,
        names: tuple[str, ...],
        boxes: Sequence[tuple[str, Sequence[tuple[float | None, float | None]]]],
    ) -> None:
        unknown = {zone for zone, _ in boxes} - set(names)
        if unknown:
            raise ValueError(f"no zone {sorted(unknown)} among {names}")
        self.names = names
        self.boxes = tuple((names.index(zone), tuple(limits)) for zone, limits in boxes)

    def classify(self, *coordinates: Floats) -> NDArray[np.int8]:
        """Zone number of each point.

        Args:
            *coordinates: one array per limited percentage, all of one shape [%].

        Returns:
            int8 array of that shape; :data:`NOWHERE` where a coordinate is not finite.
        """
        shape = np.shape(coordinates[0])
        flat = [np.ascontiguousarray(c, dtype=np.float64).reshape(-1) for c in coordinates]
        zone = np.full(flat[0].size, NOWHERE, dtype=np.int8)
        for start in range(0, zone.size, _BLOCK):
            part = slice(start, start + _BLOCK)
            self._classify(np.stack([c[part] for c in flat]), zone[part])
        return zone.reshape(shape)

    def _classify(self, point: Floats, zone: NDArray[np.int8]) -> None:
        finite = np.isfinite(point).all(axis=0)
        for number, limits in self.boxes:
            inside = finite.copy()
            for value, (lowest, end) in zip(point, limits, strict=True):
                if lowest is not None:
                    inside &= value >= lowest
                if end is not None:
                    inside &= value < end
            zone[inside] = number


class PolygonMap:
    """Zones given by their corners in a plane, neighbours sharing their corners.

    A point on an edge between two zones belongs to the zone on its left (smaller x); on a horizontal edge,
    to the zone above it. In the pentagon this leaves the lower-energy side with the axis x = 0. A point outside
    every zone (the corners are printed to three figures, so slivers are left along the outer edge) gets the zone
    whose outline is nearest.

    Notes:
        Each edge is tested once against a ray to the right and toggles both zones it bounds (even-odd rule).
        Neighbours therefore can neither share a point nor leave one out, whatever the rounding does.

    Args:
        corners: zone name to its corners (x, y) in order, either direction, not closed.
    """

    def __init__(self, corners: Corners) -> None:
        self.names = tuple(corners)
        self._edges = _shared_edges(corners)
        self._outlines = [np.array([*ring, ring[0]], dtype=np.float64) for ring in corners.values()]

    def classify(self, x: Floats, y: Floats) -> NDArray[np.int8]:
        """Zone number of each point.

        Args:
            x: abscissa, any shape.
            y: ordinate, same shape.

        Returns:
            int8 array of that shape; :data:`NOWHERE` where a coordinate is not finite.
        """
        shape = np.shape(x)
        flat_x = np.ascontiguousarray(x, dtype=np.float64).reshape(-1)
        flat_y = np.ascontiguousarray(y, dtype=np.float64).reshape(-1)
        zone = np.full(flat_x.size, NOWHERE, dtype=np.int8)
        for start in range(0, zone.size, _BLOCK):
            part = slice(start, start + _BLOCK)
            self._classify(flat_x[part], flat_y[part], zone[part])
        outside = np.flatnonzero((zone == NOWHERE) & np.isfinite(flat_x) & np.isfinite(flat_y))
        if outside.size:
            zone[outside] = self._nearest(flat_x[outside], flat_y[outside])
        return zone.reshape(shape)

    def inside(self, x: float, y: float) -> tuple[str, ...]:
        """Names of the zones that hold the point by the even-odd rule alone: one, or none outside."""
        zone = np.full(1, NOWHERE, dtype=np.int8)
        count = self._classify(np.array([x]), np.array([y]), zone)
        return tuple(name for name, hit in zip(self.names, count[:, 0], strict=True) if hit)

    def _classify(self, x: Floats, y: Floats, zone: NDArray[np.int8]) -> NDArray[np.bool_]:
        inside = np.zeros((len(self.names), x.size), dtype=np.bool_)
        for x0, y0, x1, y1, zones in self._edges:
            # half-open, so that a corner on the ray is crossed once and not by both edges that meet there
            crossed = (y >= y0) & (y < y1)
            # "<=" gives a point on the edge to the zone on its left
            crossed &= x <= x0 + (y - y0) * ((x1 - x0) / (y1 - y0))
            for number in zones:
                # one comparison toggles both neighbours: rounding cannot give the point to both or to none
                inside[number] ^= crossed
        for number, hits in enumerate(inside):
            zone[hits] = number
        return inside

    def _nearest(self, x: Floats, y: Floats) -> NDArray[np.int8]:
        distances = [_distance(x, y, outline) for outline in self._outlines]
        return np.asarray(np.argmin(np.stack(distances), axis=0), dtype=np.int8)


_Edge = tuple[float, float, float, float, tuple[int, ...]]


def _shared_edges(corners: Corners) -> list[_Edge]:
    """Upward edges with the zones they bound; a side is cut where another zone has a corner on it."""
    every = {corner for ring in corners.values() for corner in ring}
    owners: dict[tuple[tuple[float, float], tuple[float, float]], list[int]] = {}
    for number, ring in enumerate(corners.values()):
        for a, b in zip(ring, [*ring[1:], ring[0]], strict=True):
            chain = sorted({a, b, *(c for c in every if _on_side(c, a, b))}, key=lambda c: (c[1], c[0]))
            for low, high in pairwise(chain):
                if low[1] < high[1]:  # a horizontal edge is never crossed by a horizontal ray
                    owners.setdefault((low, high), []).append(number)
    return [(*low, *high, tuple(zones)) for (low, high), zones in owners.items()]


def _on_side(corner: tuple[float, float], a: tuple[float, float], b: tuple[float, float]) -> bool:
    (x, y), (ax, ay), (bx, by) = corner, a, b
    cross = (bx - ax) * (y - ay) - (by - ay) * (x - ax)
    along = (x - ax) * (bx - ax) + (y - ay) * (by - ay)
    # the corners are printed to three figures: 1e-9 is equality, and far from the next different corner
    return abs(cross) < 1e-9 and 0.0 < along < (bx - ax) ** 2 + (by - ay) ** 2


def _distance(x: Floats, y: Floats, outline: Floats) -> Floats:
    """Least distance of each point from a closed outline."""
    (ax, ay), (bx, by) = outline[:-1].T[:, :, None], outline[1:].T[:, :, None]
    dx, dy = bx - ax, by - ay
    along = np.clip(((x - ax) * dx + (y - ay) * dy) / (dx * dx + dy * dy), 0.0, 1.0)
    least: Floats = np.hypot(ax + along * dx - x, ay + along * dy - y).min(axis=0)
    return least
