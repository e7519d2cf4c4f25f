"""Every composition has exactly one zone: edges, corners, millions of points, and the printed corners."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from app.science.diagnosis import pentagons, triangles
from app.science.diagnosis.zones import NOWHERE, LimitMap, PolygonMap
from app.science.tables import rows

Floats = NDArray[np.float64]
TRIANGLES = {
    1: (triangles.duval_triangle_1, triangles.TRIANGLE_1_ZONES, triangles.TRIANGLE_1_GASES),
    4: (triangles.duval_triangle_4, triangles.TRIANGLE_4_ZONES, triangles.TRIANGLE_4_GASES),
    5: (triangles.duval_triangle_5, triangles.TRIANGLE_5_ZONES, triangles.TRIANGLE_5_GASES),
}
PARTS = {
    1: tuple(triangles.TRIANGLE_1_VERTICES.items()),
    4: tuple(triangles.TRIANGLE_4_VERTICES.items()),
    5: triangles.TRIANGLE_5_PARTS,
}
PENTAGONS = {
    1: (pentagons.duval_pentagon_1, pentagons.PENTAGON_1_ZONES, pentagons.PENTAGON_1_VERTICES),
    2: (pentagons.duval_pentagon_2, pentagons.PENTAGON_2_ZONES, pentagons.PENTAGON_2_VERTICES),
}
concentration = st.floats(0.0, 1e6, allow_nan=False)


def _rules_that_hold(number: int, shares: tuple[Floats, ...]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """How many rows of the printed table hold, and the zone of the last; written apart from the code tested."""
    _, zones, gases = TRIANGLES[number]
    share = dict(zip(gases, shares, strict=True))
    count = np.zeros(shares[0].shape, dtype=np.int64)
    zone = np.full(shares[0].shape, -1)
    for row in rows(f"duval_triangle_{number}_limits"):
        holds = np.ones(shares[0].shape, dtype=bool)
        for gas in gases:
            if row.get(f"{gas}_from"):
                holds &= share[gas] >= float(row[f"{gas}_from"])
            if row.get(f"{gas}_to"):
                holds &= share[gas] < float(row[f"{gas}_to"])
        count += holds
        zone[holds] = zones.index(row["zone"])
    return count, zone


@pytest.mark.parametrize("number", TRIANGLES)
def test_a_million_compositions_have_exactly_one_zone(number: int) -> None:
    method, _, _ = TRIANGLES[number]
    gases = np.random.default_rng(20260101).dirichlet((0.5, 0.5, 0.5), 1_000_000).T
    count, zone = _rules_that_hold(number, triangles.percentages(*gases))
    assert (count == 1).all()
    assert (method(*gases) == zone).all()


@pytest.mark.parametrize("number", TRIANGLES)
def test_every_half_percent_has_exactly_one_zone(number: int) -> None:
    """A grid of 0.5 % puts a point on every edge and corner there is."""
    a, b = np.meshgrid(np.arange(201), np.arange(201))
    inside = a + b <= 200
    grid = tuple(x.astype(np.float64) for x in (a[inside], b[inside], 200 - (a + b)[inside]))
    count, zone = _rules_that_hold(number, triangles.percentages(*grid))
    assert (count == 1).all()
    assert (TRIANGLES[number][0](*grid) == zone).all()


@pytest.mark.parametrize("number", TRIANGLES)
@given(gases=st.tuples(concentration, concentration, concentration), scale=st.integers(-6, 6))
def test_a_zone_does_not_depend_on_the_unit(
    number: int, gases: tuple[float, float, float], scale: int
) -> None:
    method, zones, _ = TRIANGLES[number]
    zone = int(method(*gases))
    assert (zone == NOWHERE) == (sum(gases) == 0)
    assert zone < len(zones)
    if sum(gases) > 1e-200:
        assert int(method(*(g * 2.0**scale for g in gases))) == zone


@pytest.mark.parametrize("number", TRIANGLES)
def test_corners_for_plotting_agree_with_the_limits(number: int) -> None:
    """Points well inside a drawn polygon are classified as it is labelled; the polygons fill the triangle."""
    method, zones, _ = TRIANGLES[number]
    shares = 100.0 * np.random.default_rng(7).dirichlet((1.0, 1.0, 1.0), 200_000).T
    drawn = np.full(shares.shape[1], -1)
    for zone, ring in PARTS[number]:
        assert ring.shape[1] == 3
        assert np.allclose(ring.sum(axis=1), 100.0)
        drawn[_inside(ring[:, 0], ring[:, 1], shares[0], shares[1])] = zones.index(zone)
    assert (drawn >= 0).mean() > 0.9999
    assert (method(*shares) == drawn)[drawn >= 0].mean() == 1.0


def _inside(ring_x: Floats, ring_y: Floats, x: Floats, y: Floats) -> NDArray[np.bool_]:
    inside = np.zeros(x.shape, dtype=bool)
    j = len(ring_x) - 1
    for i in range(len(ring_x)):
        if ring_y[i] != ring_y[j]:
            slope = (ring_x[j] - ring_x[i]) / (ring_y[j] - ring_y[i])
            inside ^= ((ring_y[i] > y) != (ring_y[j] > y)) & (x < ring_x[i] + (y - ring_y[i]) * slope)
        j = i
    return inside


@pytest.mark.parametrize("number", PENTAGONS)
def test_a_million_centroids_have_exactly_one_zone(number: int) -> None:
    _, zones, corners = PENTAGONS[number]
    gases = np.random.default_rng(11).dirichlet((0.4,) * 5, 1_000_000).T
    x, y = pentagons.centroid(*gases)
    zone = PENTAGONS[number][0](*gases)
    count = np.zeros(x.shape, dtype=np.int64)
    for name, ring in corners.items():
        inside = _inside(ring[:, 0], ring[:, 1], x, y)
        count += inside
        assert (zone[inside] == zones.index(name)).all()
    assert (count == 1).all()  # random centroids are on no edge and within the printed outline


@pytest.mark.parametrize("number", PENTAGONS)
@given(gases=st.tuples(*[concentration] * 5))
def test_every_composition_has_a_pentagon_zone(number: int, gases: tuple[float, ...]) -> None:
    method, zones, corners = PENTAGONS[number]
    zone = int(method(*gases))
    assert (zone == NOWHERE) == (sum(gases) == 0)
    if zone != NOWHERE:
        x, y = (float(c) for c in pentagons.centroid(*gases))
        held = PolygonMap({z: [tuple(c) for c in ring] for z, ring in corners.items()}).inside(x, y)
        assert held == (zones[zone],)


@given(gases=st.tuples(*[concentration] * 5))
def test_no_centroid_leaves_the_pentagon_of_a_third(gases: tuple[float, ...]) -> None:
    x, y = pentagons.centroid(*gases)
    if np.isfinite(x):
        for (ax, ay), (bx, by) in _sides():
            normal = (by - ay, ax - bx)
            reach = normal[0] * ax + normal[1] * ay
            assert (normal[0] * x + normal[1] * y) <= reach / 1.2 * (1 + 1e-9) + 1e-6


def _sides() -> list[tuple[tuple[float, float], tuple[float, float]]]:
    summits = list(pentagons.PENTAGON_SUMMITS.values())
    return list(zip(summits, [*summits[1:], summits[0]], strict=True))


@pytest.mark.parametrize("number", PENTAGONS)
def test_slivers_along_the_outer_edge_get_the_nearest_zone(number: int) -> None:
    _, zones, corners = PENTAGONS[number]
    polygons = PolygonMap({z: [tuple(c) for c in ring] for z, ring in corners.items()})
    axis = np.linspace(-38.1, 38.1, 121)
    x, y = (g.ravel() for g in np.meshgrid(axis, np.linspace(-32.36, 40.0, 121)))
    within = np.ones(x.shape, dtype=bool)
    for (ax, ay), (bx, by) in _sides():
        within &= (bx - ax) * (y - ay) - (by - ay) * (x - ax) >= 0
    x, y = x[within], y[within]
    zone = polygons.classify(x, y)
    assert (zone >= 0).all()
    bare = [i for i in range(len(x)) if not polygons.inside(float(x[i]), float(y[i]))][:50]
    assert len(bare) > 0
    for i in bare:
        least = {
            z: min(float(np.hypot(px - x[i], py - y[i])) for px, py in _walk_round(ring))
            for z, ring in corners.items()
        }
        assert least[zones[zone[i]]] <= min(least.values()) + 0.05


def _walk_round(ring: Floats) -> Floats:
    steps = np.linspace(0, 1, 400)[:, None]
    return np.concatenate([a + steps * (b - a) for a, b in zip(ring, np.roll(ring, -1, axis=0), strict=True)])


def test_centroid_is_the_shoelace_centroid() -> None:
    """Against the textbook formula on the corners themselves."""
    shares = 100.0 * np.random.default_rng(3).dirichlet((1.0,) * 5, 1000)
    angle = np.radians([90.0, 162.0, 234.0, 306.0, 18.0])
    x, y = shares * np.cos(angle), shares * np.sin(angle)
    nx, ny = np.roll(x, -1, axis=1), np.roll(y, -1, axis=1)
    cross = x * ny - nx * y
    area = cross.sum(axis=1) / 2
    found = pentagons.centroid(*shares.T)
    assert np.allclose(found[0], ((x + nx) * cross).sum(axis=1) / (6 * area), atol=1e-7)
    assert np.allclose(found[1], ((y + ny) * cross).sum(axis=1) / (6 * area), atol=1e-7)


def test_composition_without_area_is_the_limit_of_equal_traces() -> None:
    for h2, ch4 in ((100.0, 0.0), (30.0, 70.0), (0.0, 5.0)):
        exact = pentagons.centroid(h2, 0, ch4, 0, 0)
        near = pentagons.centroid(*(g or 1e-7 for g in (h2, 0.0, ch4, 0.0, 0.0)))
        assert np.allclose(exact, near, atol=1e-4)


def test_mirrored_compositions_lie_mirrored() -> None:
    gases = np.random.default_rng(5).dirichlet((1.0,) * 5, 100).T
    h2, c2h6, ch4, c2h4, c2h2 = gases
    x, y = pentagons.centroid(h2, c2h6, ch4, c2h4, c2h2)
    mirrored_x, mirrored_y = pentagons.centroid(h2, c2h2, c2h4, ch4, c2h6)
    assert np.allclose(x, -mirrored_x, atol=1e-8)
    assert np.allclose(y, mirrored_y, atol=1e-8)


def test_pure_hydrogen_and_other_points_on_the_axis_belong_to_the_left() -> None:
    name = pentagons.PENTAGON_1_ZONES
    assert name[int(pentagons.duval_pentagon_1(100, 0, 0, 0, 0))] == "S"
    shares = [96.0, 2.0, 0.0, 0.0, 2.0]
    x, y = pentagons.centroid(*shares)
    assert float(x) == 0.0
    assert 24.5 < float(y) < 33.0
    assert name[int(pentagons.duval_pentagon_1(*shares))] == "PD"


@pytest.mark.parametrize("bad", [np.nan, -1.0, np.inf])
def test_missing_negative_and_infinite_gases_have_no_zone(bad: float) -> None:
    for method, _, _ in TRIANGLES.values():
        assert int(method(bad, 10.0, 10.0)) == NOWHERE
        assert int(method(0.0, 0.0, 0.0)) == NOWHERE
    for pentagon, _, _ in PENTAGONS.values():
        assert int(pentagon(10.0, bad, 10.0, 10.0, 10.0)) == NOWHERE
        assert int(pentagon(0.0, 0.0, 0.0, 0.0, 0.0)) == NOWHERE


def test_shapes_are_kept() -> None:
    for shape in ((), (0,), (3,), (2, 0, 4), (2, 3, 4)):
        gas = np.ones(shape)
        assert triangles.duval_triangle_1(gas, 2.0, gas).shape == shape
        assert pentagons.duval_pentagon_2(gas, gas, 1.0, gas, gas).shape == shape
        assert triangles.duval_triangle_1(gas, gas, gas).dtype == np.int8


def test_an_unknown_zone_is_refused() -> None:
    with pytest.raises(ValueError, match=r"no zone \['B'\]"):
        LimitMap(("A",), [("B", [(None, 1.0)])])


def test_a_side_is_cut_where_a_neighbour_has_a_corner() -> None:
    """One long side against two short ones: no point is lost or shared along it."""
    polygons = PolygonMap(
        {
            "left": [(0.0, 0.0), (0.7, 3.1), (-2.0, 3.1), (-2.0, 0.0)],
            "low": [(0.0, 0.0), (2.0, 0.0), (2.0, 1.55), (0.35, 1.55)],
            "high": [(0.35, 1.55), (2.0, 1.55), (2.0, 3.1), (0.7, 3.1)],
        }
    )
    for t in np.linspace(0.0, 0.999, 200):
        assert len(polygons.inside(0.7 * t, 3.1 * t)) == 1
    assert polygons.inside(1.0, 1.55) == ("high",)
