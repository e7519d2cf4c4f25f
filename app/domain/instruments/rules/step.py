"""Step: a lasting jump within one reading that the chemistry of gas in oil cannot make.

A fault may make gas within one reading, too: an arc does. So a rise counts against the instrument only where the
gases that a fault would bring with it are measured, would show, and do not move, or where every gas rises by one and
the same factor, carbon oxides included, as after a calibration. A rise of hydrogen alone or of acetylene alone is
never put down to the instrument: partial discharge and tap changers make them.
"""

from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from app.domain.instruments.findings import CHECK_FIRST, SINCE, InstrumentFinding, Kind
from app.domain.instruments.record import WORK_ON_THE_OIL, InstrumentRecord, amount, limit_of, name_of
from app.domain.judging.frame import Floats, to_time
from app.domain.model import EventKind
from app.science.measuring.instrument_signs import Step, steps
from app.science.measuring.noise import instrument_parameters, noise_of
from app.science.quantities import FAULT_GASES, GASES
from app.science.tables import rows

CARBON_OXIDES: Final = ("co", "co2")
CHECKED: Final = (*FAULT_GASES, *CARBON_OXIDES)
"""Oxygen and nitrogen may come and go with air, propane and propylene have no known companions: not looked at."""


class _Move(NamedTuple):
    """How a gas moved at one time: from one median to another, with the error of the difference."""

    before: float
    after: float
    error: float

    @property
    def size(self) -> float:
        return self.after - self.before


def step(record: InstrumentRecord, earlier: Sequence[InstrumentFinding]) -> list[InstrumentFinding]:
    """Steps that an instrument makes and a transformer does not, one finding a gas."""
    c = instrument_parameters("step")
    series = {q: record.series(q, earlier) for q in CHECKED}
    series = {q: s for q, s in series.items() if len(s[1]) >= 3 * c["readings"]}
    found: dict[str, list[tuple[float, Step]]] = {}
    for quantity, (at, values, _) in series.items():
        for one in steps(values, _side(record), c["deviations"], c["sharpness"]):
            gap = at[one.place] - at[one.place - 1]
            large = abs(one.after - one.before) >= max(
                c["relative"] * one.before, 2.0 * limit_of(quantity) / 5.0
            )
            if large and gap <= 3.0 * record.interval:
                found.setdefault(quantity, []).append((float(at[one.place]), one))
    result = []
    for when in _moments(found, 1.5 * record.interval):
        known = _moves(series, when, _side(record))
        near = {q for q, hits in found.items() if any(abs(t - when) < 1.5 * record.interval for t, _ in hits)}
        stepped = {q: m for q, m in known.items() if q in near}
        longer = _moves(series, when, 3 * _side(record))
        result.extend(_judged(record, when, stepped, longer))
    return result


def _side(record: InstrumentRecord) -> int:
    c = instrument_parameters("step")
    return int(min(max(c["readings"], np.ceil(c["days"] / record.interval)), 96))


def _moments(found: Mapping[str, list[tuple[float, Step]]], near: float) -> list[float]:
    """Times at which at least one gas stepped; those nearer than ``near`` are one."""
    times = sorted(t for hits in found.values() for t, _ in hits)
    kept: list[float] = []
    for time in times:
        if not kept or time - kept[-1] >= near:
            kept.append(time)
    return kept


def _moves(
    series: Mapping[str, tuple[Floats, Floats, NDArray[np.int64]]], when: float, side: int
) -> dict[str, _Move]:
    moves = {q: _move(at, values, when, side) for q, (at, values, _) in series.items()}
    return {q: m for q, m in moves.items() if m is not None}


def _move(at: Floats, values: Floats, when: float, side: int) -> _Move | None:
    """What one gas did at a time; None where it was not measured on both sides."""
    place = int(np.searchsorted(at, when - 1e-6))
    before, after = values[max(place - side, 0) : place], values[place : place + side]
    if len(before) < 3 or len(after) < 3:
        return None
    sd = noise_of(values).sd
    error = sd * float(np.sqrt(np.pi / min(len(before), len(after))))
    return _Move(float(np.median(before)), float(np.median(after)), error)


def _judged(
    record: InstrumentRecord,
    when: float,
    stepped: Mapping[str, _Move],
    longer: Mapping[str, _Move],
) -> list[InstrumentFinding]:
    c = instrument_parameters("step")
    if record.work_near(when, c["work_days"], WORK_ON_THE_OIL):
        return []
    up = {q for q, m in stepped.items() if m.size > 0}
    down = set(stepped) - up
    reason = ""
    if up and down:
        told, reason = set(stepped), "one gas rose and another fell within the same reading"
    elif down:
        told = down
        reason = "gas does not leave the oil within one reading, unless the oil was degassed or changed"
    elif _one_factor(stepped, longer):
        told, reason = up, "all gases rose by the same factor, which no fault makes"
    else:
        told = {q for q in up if len(up) == 1 and _companions_missing(q, stepped[q].size, longer)}
        reason = "it rose alone, and the gases that a fault would bring with it did not move"
    explained = None
    if record.work_near(when, c["work_days"], {EventKind.CALIBRATION}):
        explained = "calibration"
    elif record.maintained_near(when, c["work_days"]):
        explained = "maintenance"
    return [_told(q, when, stepped[q], reason, explained) for q in GASES if q in told]


def _one_factor(stepped: Mapping[str, _Move], moves: Mapping[str, _Move]) -> bool:
    """Whether four gases or more, a carbon oxide among them, rose by one factor, and all others that would show it.

    ``moves`` are those over three times as long. A fault can raise some gases by like shares by chance: so the factors
    must be alike to a small part of the rise, and be known that well.
    """
    c = instrument_parameters("step")
    if len(stepped) < 3 or not any(q in stepped for q in CARBON_OXIDES):
        return False
    able = {q: m for q, m in moves.items() if m.before > 0.0 and m.after > 0.0}
    if not set(stepped) <= set(able):
        return False
    common = float(np.median([np.log(able[q].after / able[q].before) for q in stepped]))
    telling = {q: m for q, m in able.items() if m.error <= c["known"] * common * m.before}
    if not set(stepped) <= set(telling) or len(telling) < c["gases"]:
        return False
    return all(
        abs(np.log(m.after / m.before) - common) <= c["alike"] * common + 2.0 * m.error / m.before
        for m in telling.values()
    )


def _companions_missing(quantity: str, size: float, moves: Mapping[str, _Move]) -> bool:
    """Whether the gases a fault would bring with this one are measured, would show, and did not move.

    ``moves`` are those over three times as long: the longer, the smaller a companion would show.
    """
    row = next(r for r in rows("step_companions") if r["quantity"] == quantity)
    companions = [moves[q] for q in row["companions"].split() if q in moves]
    if not companions:
        return False
    due = float(row["share"]) * size
    error = float(np.sqrt(sum(m.error**2 for m in companions)))
    came = sum(m.size for m in companions)
    return due >= 4.0 * error and came <= due / 2.0 and all(m.size <= 3.0 * m.error for m in companions)


def _told(quantity: str, when: float, move: _Move, reason: str, explained: str | None) -> InstrumentFinding:
    share = 100.0 * move.size / move.before if move.before > 0.0 else float("nan")
    if explained == "calibration":
        then = "A calibration is on record for that time: the baseline of this instrument begins anew there."
    elif explained:
        then = (
            "The instrument was in maintenance about then: if it was calibrated, record that as a service event, so "
            "that its baseline begins anew."
        )
    else:
        then = (
            "If the instrument was calibrated, or the oil treated, record the service event. "
            f"Otherwise: {CHECK_FIRST[0].lower()}{CHECK_FIRST[1:]}"
        )
    return InstrumentFinding(
        Kind.STEP,
        quantity,
        to_time(when),
        to_time(when),
        f"{name_of(quantity)} jumped within one reading from {amount(move.before, quantity)} to "
        f"{amount(move.after, quantity)} ({share:+.0f} %) at {SINCE} and stayed there; {reason}. {then}",
        {"before": move.before, "after": move.after, "change_percent": share, "error": move.error},
        explained,
    )
