"""One fault call with a probability, from the zones of Duval's triangle 1 and one of the pentagons.

How often each zone was seen under each known fault is counted in ``tables/fault_call_counts.csv``; the published zones
themselves are left as they are. docs/decisions/fault-call.md reports how well the probabilities held on cases not used.
"""

from functools import cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.science.diagnosis.pentagons import PENTAGON_1_ZONES, PENTAGON_2_ZONES
from app.science.diagnosis.triangles import TRIANGLE_1_ZONES
from app.science.tables import rows

__all__ = [
    "ACETYLENE",
    "ELECTRICAL_ZONES",
    "FAULT_CLASSES",
    "METHODS",
    "THERMAL_ZONES",
    "combine",
    "count_likelihoods",
    "disagreement",
    "fault_probabilities",
    "one_hot",
    "zone_counts",
    "zone_likelihoods",
]

Floats = NDArray[np.float64]

FAULT_CLASSES: Final = ("PD", "D1", "D2", "T1/T2", "T3")
"""The faults told apart. T1 and T2 are one class because half of the known cases are labelled with both."""

METHODS: Final = {
    "duval_triangle_1": TRIANGLE_1_ZONES,
    "duval_pentagon_1": PENTAGON_1_ZONES,
    "duval_pentagon_2": PENTAGON_2_ZONES,
}
"""The methods that were counted, and their zones."""

ACETYLENE: Final = ("not seen", "seen")
"""Whether there is enough acetylene to be told from none; counted like the zones of a method called ``acetylene``."""

ELECTRICAL_ZONES: Final = ("PD", "D1", "D2")
THERMAL_ZONES: Final = ("T1", "T2", "T3", "T3-H", "C", "O")

_TRIANGLE: Final = "duval_triangle_1"
_NAMED_ALIKE: Final = {
    "PD": ("PD",),
    "D1": ("D1",),
    "D2": ("D2",),
    "T1/T2": ("T1", "T2"),
    "T3": ("T3", "T3-H"),
}


def fault_probabilities(
    triangle_1: ArrayLike,
    pentagon_1: ArrayLike | None = None,
    *,
    pentagon_2: ArrayLike | None = None,
    without_acetylene: ArrayLike = False,
) -> Floats:
    """Probability of each fault, given where the gases lie in triangle 1 and in one of the pentagons.

    Args:
        triangle_1: probabilities of :data:`~app.science.diagnosis.triangles.TRIANGLE_1_ZONES`, shape (..., 7): from
            :func:`~app.science.measuring.uncertainty.zone_probabilities`, or :func:`one_hot` of a zone. A row of
            zeros says that the method does not apply, and leaves it out.
        pentagon_1: the same for :data:`~app.science.diagnosis.pentagons.PENTAGON_1_ZONES`, shape (..., 7).
        pentagon_2: the same for :data:`~app.science.diagnosis.pentagons.PENTAGON_2_ZONES`, shape (..., 7), in place of
            pentagon_1: both are the same point on two maps, so one of them is to be given. Pentagon 2 tells T3 from
            T1/T2 better: no known case of T1/T2 lies in its T3-H, five lie in T3 of pentagon 1.
        without_acetylene: (...) True where acetylene was looked for and not seen: then a fault counts by how many of
            its known cases had none, which discharges hardly have. Acetylene that was seen says nothing beyond the
            zones, which count it.

    Returns:
        Array (..., 5) in the order of :data:`FAULT_CLASSES`, each row summing to 1; NaN where neither method applies.

    Raises:
        ValueError: if an array has another number of zones, a negative number or NaN; if none or both pentagons
            are given.

    Notes:
        Bayes' rule with every fault as likely as another beforehand, since the mix of faults in a collection of
        published cases is not that of the owner's fleet. With P(zone | fault) from :func:`zone_likelihoods`,

            p(fault) ~ (sum_z t_z P(z | fault) * sum_z q_z P(z | fault)) ** w,

        where t and q are the two rows. The power w < 1 is because the methods share three gases, so that their
        agreement says less than two independent witnesses would; a method alone has w = 1.

        The probabilities are of *which* fault, given that there is one of these. They do not say that there is a
        fault, nor know stray gassing or mixtures, of which no labelled case was at hand. Zone S of the pentagon and
        DT of the triangle count as what the cases that fell there had; the name of the zone is to be told beside
        the call (for DT and for methods that contradict one another: :func:`disagreement`).

    References:
        1. E. Li, Dissolved gas data in transformer oil, IEEE DataPort, 2019, doi 10.21227/h8g0-8z59.
        2. IEEE Std C57.104-2019, Annex E.
    """
    pentagon, method = _one_pentagon(pentagon_1, pentagon_2)
    likelihoods, power = _calibration(method)
    chances = combine((_evidence(triangle_1, _TRIANGLE), _evidence(pentagon, method)), likelihoods, power)
    none = np.asarray(without_acetylene, dtype=np.bool_)[..., None]
    weighed = chances * np.where(none, _without_acetylene(), 1.0)
    return np.asarray(weighed / weighed.sum(axis=-1, keepdims=True))


def disagreement(
    triangle_1: ArrayLike, pentagon_1: ArrayLike | None = None, *, pentagon_2: ArrayLike | None = None
) -> Floats:
    """How much of the evidence points to electrical and thermal faults at once: the sign of a mixture.

    Args:
        triangle_1, pentagon_1, pentagon_2: as in :func:`fault_probabilities`. Which pentagon is given makes no
            difference, as both draw the same line between the families.

    Returns:
        Array (...) from 0 (one family only) to 1; NaN where neither method applies.

    Raises:
        ValueError: as :func:`fault_probabilities`.

    Notes:
        The share of the triangle in DT, which is the name of the mixture, plus the shares in which one method says
        electrical (PD, D1, D2) and the other thermal (T1, T2, T3, T3-H, C, O). S belongs to neither family and
        contradicts none; a method that does not apply contradicts none.

    References:
        1. IEEE Std C57.104-2019, Annex D.6-D.7 (disagreement of triangle and pentagon suggests a mixture).
    """
    given, method = _one_pentagon(pentagon_1, pentagon_2)
    triangle, pentagon = _evidence(triangle_1, _TRIANGLE), _evidence(given, method)

    def share(row: Floats, of: str, named: tuple[str, ...]) -> Floats:
        return np.asarray(row @ _members(METHODS[of], named))

    mixed = share(triangle, _TRIANGLE, ("DT",))
    for one, other in ((ELECTRICAL_ZONES, THERMAL_ZONES), (THERMAL_ZONES, ELECTRICAL_ZONES)):
        mixed = mixed + share(triangle, _TRIANGLE, one) * share(pentagon, method, other)
    silent = ~(triangle.any(axis=-1) | pentagon.any(axis=-1))
    return np.where(silent, np.nan, mixed)


def one_hot(zone: ArrayLike, zones: tuple[str, ...]) -> Floats:
    """Zone numbers as rows of probabilities.

    Args:
        zone: numbers of zones, any shape (...), as a zone method returns them; -1 where it has none.
        zones: its zones.

    Returns:
        Array (..., zones): 1 at the zone, zeros where it is -1.
    """
    return np.asarray(np.asarray(zone)[..., None] == np.arange(len(zones)), dtype=np.float64)


def zone_counts(method: str) -> NDArray[np.int64]:
    """In how many known cases of each fault the gases lay in each zone.

    Args:
        method: one of :data:`METHODS`, or ``acetylene``, whose zones are :data:`ACETYLENE`.

    Returns:
        Array (5, zones): rows :data:`FAULT_CLASSES`, columns the zones of the method.

    Raises:
        KeyError: if the method is not one of them.
    """
    zones = {**METHODS, "acetylene": ACETYLENE}[method]
    counts = np.zeros((len(FAULT_CLASSES), len(zones)), dtype=np.int64)
    for row in rows("fault_call_counts"):
        if row["method"] == method:
            counts[FAULT_CLASSES.index(row["fault"]), zones.index(row["zone"])] += int(row["cases"])
    return counts


def zone_likelihoods(
    counts: ArrayLike, zones: tuple[str, ...], pseudo_cases: float, own_share: float
) -> Floats:
    """P(zone | fault): counts, smoothed towards what the name of the zone says.

    Args:
        counts: cases, shape (..., 5, zones).
        zones: zones of the method.
        pseudo_cases: imagined cases added to each fault.
        own_share: the part of them that lies in the zones named like the fault (in all, where none is); the rest lies
            evenly in all zones.

    Returns:
        Array (..., 5, zones); the last axis sums to 1.

    References:
        1. Dirichlet prior, textbook; how strong: chosen by cross-validation.
    """
    seen = np.asarray(counts, dtype=np.float64)
    own = np.stack([_members(zones, _NAMED_ALIKE[fault]) for fault in FAULT_CLASSES])
    own[~own.any(axis=1)] = 1.0
    imagined = own_share * own / own.sum(axis=1, keepdims=True) + (1.0 - own_share) / len(zones)
    total = seen.sum(axis=-1, keepdims=True) + pseudo_cases
    return np.asarray((seen + pseudo_cases * imagined) / total)


def count_likelihoods(counts: ArrayLike) -> Floats:
    """P(sign | fault) from cases (..., 5, signs), each sign having one imagined case more (Laplace's rule)."""
    seen = np.asarray(counts, dtype=np.float64) + 1.0
    return np.asarray(seen / seen.sum(axis=-1, keepdims=True))


def combine(evidence: tuple[Floats, ...], likelihoods: tuple[Floats, ...], power: float) -> Floats:
    """Probabilities from zone rows and P(zone | fault), as :func:`fault_probabilities` describes.

    Args:
        evidence: one array (..., zones) per method; a row sums to 1, or to 0 where the method does not apply.
        likelihoods: one array (5, zones) per method.
        power: w, used where more than one method applies.

    Returns:
        Array (..., 5); NaN where no method applies.
    """
    product: Floats | None = None
    speaking: Floats | None = None
    for row, likelihood in zip(evidence, likelihoods, strict=True):
        heard = row.sum(axis=-1, keepdims=True)
        said = row @ likelihood.T + (1.0 - heard)  # a silent method leaves the product as it is
        product = said if product is None else product * said
        speaking = heard if speaking is None else speaking + heard
    if product is None or speaking is None:
        raise ValueError("combine: at least one method is needed")
    # rows sum to 1 or 0, so their sum counts the methods that speak
    weighed = np.where(speaking > 1.5, product**power, product)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(speaking < 0.5, np.nan, weighed / weighed.sum(axis=-1, keepdims=True)))


@cache
def _calibration(pentagon: str) -> tuple[tuple[Floats, ...], float]:
    """P(zone | fault) of triangle 1 and the pentagon, and the power w of the pair."""
    value = {
        row["parameter"]: float(row["value"])
        for row in rows("fault_call_parameters")
        if row["pentagon"] == pentagon
    }
    likelihoods = tuple(
        zone_likelihoods(zone_counts(method), METHODS[method], value["pseudo_cases"], value["own_share"])
        for method in (_TRIANGLE, pentagon)
    )
    return likelihoods, value["power"]


@cache
def _without_acetylene() -> Floats:
    """(5,) P(no acetylene seen | fault)."""
    return np.asarray(count_likelihoods(zone_counts("acetylene"))[:, ACETYLENE.index("not seen")])


def _one_pentagon(first: ArrayLike | None, second: ArrayLike | None) -> tuple[ArrayLike, str]:
    if first is not None and second is None:
        return first, "duval_pentagon_1"
    if second is not None and first is None:
        return second, "duval_pentagon_2"
    raise ValueError("fault call: give either pentagon_1 or pentagon_2; they are one point on two maps")


def _evidence(given: ArrayLike, method: str) -> Floats:
    """Rows that sum to 1, or to 0 where the method does not apply."""
    row = np.asarray(given, dtype=np.float64)
    zones = METHODS[method]
    if row.ndim == 0 or row.shape[-1] != len(zones):
        raise ValueError(
            f"{method}: the last axis must hold the {len(zones)} zones {', '.join(zones)}, "
            f"but the shape is {row.shape}"
        )
    total = row.sum(axis=-1, keepdims=True)
    if row.size and not (row.min() >= 0.0 and np.isfinite(total).all()):
        raise ValueError(
            f"{method}: a zone probability is negative or not a finite number; "
            "give a row of zeros where the method does not apply"
        )
    # nearly all calls: dividing by 1 would copy the array for nothing
    if bool(((total == 1.0) | (total == 0.0)).all()):
        return row
    return np.asarray(row / np.where(total > 0.0, total, 1.0))


def _members(zones: tuple[str, ...], named: tuple[str, ...]) -> Floats:
    """1 at the zones that are named, else 0."""
    return np.array([float(zone in named) for zone in zones])
