"""Faults of instruments, put into an invented year: what went wrong, of which quantities, since when."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from instrument_series import DETECTION, START, Floats, Year, healthy

from app.science.quantities import INDEX


@dataclass(frozen=True)
class Spoiled:
    """A year with one fault of the instrument in it.

    Attributes:
        kind: name of the kind, as in ``Kind``. variant: what sort of it, for the table.
        quantities: what is concerned. begins, ends: days; the fault lasts to the end where they say so.
    """

    year: Year
    kind: str
    variant: str
    quantities: frozenset[str]
    begins: float
    ends: float


def _at(year: Year, low: float = 0.4, high: float = 0.7) -> float:
    return float(START + year.rng.uniform(low, high) * 365.0)


def _pick(year: Year, *, least: float = 8.0, among: tuple[str, ...] | None = None) -> str:
    """A gas that stands well above its detection limit, so that a fault of its sensor could be seen."""
    rng = year.rng
    names = [
        g
        for g in (among or year.gases)
        if g in year.gases
        and np.nanmedian(year.values[:, INDEX[g]]) > least * DETECTION[g]
        and not year.below[:, INDEX[g]].any()
    ]
    return str(rng.choice(names)) if names else str(among[0] if among else "co")


def stuck(seed: int) -> Spoiled:
    """One value, or all of a report, again and again for two to forty days."""
    year = healthy(seed)
    rng = year.rng
    begins = _at(year)
    ends = begins + float(rng.choice([2.0, 5.0, 12.0, 40.0]))
    whole = rng.random() < 0.3
    gases = tuple(g for g in year.gases if g != "c2h2") if whole else (_pick(year),)
    rows = np.flatnonzero((year.at >= begins) & (year.at < ends))
    for gas in gases:
        year.values[rows, INDEX[gas]] = year.values[rows[0], INDEX[gas]]
        year.below[rows, INDEX[gas]] = year.below[rows[0], INDEX[gas]]
    told = frozenset(g for g in gases if not year.below[rows[0], INDEX[g]])
    return Spoiled(year, "stuck", "all gases" if whole else "one gas", told, begins, ends)


def spike(seed: int) -> Spoiled:
    """One to six single readings far up, or down to nothing, over three weeks."""
    year = healthy(seed)
    rng = year.rng
    gas = _pick(year)
    begins = _at(year)
    inside = np.flatnonzero((year.at >= begins) & (year.at < begins + 21.0))[8:-8]
    places = np.sort(rng.choice(inside[:: max(len(inside) // 12, 8)], int(rng.integers(1, 4)), replace=False))
    factor = float(rng.choice([0.05, 0.5, 1.5, 2.0, 5.0]))
    year.values[places, INDEX[gas]] = year.rounded(factor * year.values[places, INDEX[gas]])
    word = f"×{factor:g}"
    return Spoiled(
        year, "spike", word, frozenset({gas}), float(year.at[places[0]]), float(year.at[places[-1]])
    )


def step(seed: int) -> Spoiled:
    """A calibration nobody recorded: every gas by one factor, or one gas up or down."""
    year = healthy(seed)
    rng = year.rng
    begins = _at(year)
    after = year.at >= begins
    begins = float(year.at[after][0])
    variant = str(rng.choice(["all, one factor", "one gas down", "one gas up"]))
    size = float(rng.choice([0.15, 0.25, 0.4, 0.7]))
    if variant == "all, one factor":
        factor = float(rng.choice([1.0 + size, 1.0 / (1.0 + size)]))
        gases: tuple[str, ...] = year.gases
    else:
        factor = 1.0 + size if variant == "one gas up" else 1.0 / (1.0 + size)
        gases = (_pick(year, among=("h2", "ch4", "c2h6", "c2h4", "co", "co2")),)
    if variant == "one gas up" and gases[0] in {"h2", "c2h2"}:
        variant = "hydrogen alone up"
    for gas in gases:
        x = year.values[after, INDEX[gas]]
        year.values[after, INDEX[gas]] = np.where(
            year.below[after, INDEX[gas]], x, np.maximum(year.rounded(x * factor), DETECTION[gas])
        )
    return Spoiled(year, "step", variant, frozenset(gases), begins, float(year.at[-1]))


def drift(seed: int) -> Spoiled:
    """One gas, or all, away from the truth by 15 to 60 % a year; laboratory samples for two and a half years."""
    lab_days = float(np.random.default_rng(seed).choice([30.0, 61.0, 91.0]))
    year = healthy(seed, lab_days=lab_days, days=900)
    rng = year.rng
    rate = float(rng.choice([0.15, 0.3, 0.6])) * float(rng.choice([-1.0, 1.0]))
    whole = rng.random() < 0.3
    gases = year.gases if whole else (_pick(year),)
    for gas in gases:
        x = year.values[:, INDEX[gas]]
        moved = x * np.exp(rate * (year.at - START) / 365.25)
        year.values[:, INDEX[gas]] = np.where(
            year.below[:, INDEX[gas]], x, np.maximum(year.rounded(moved), DETECTION[gas])
        )
    word = f"{100 * abs(rate):.0f} % a year, every {lab_days:.0f} d"
    return Spoiled(year, "drift", word, frozenset(gases), START, float(year.at[-1]))


def saturated(seed: int) -> Spoiled:
    """A sensor whose range ends where the gas still rises."""
    year = healthy(seed)
    rng = year.rng
    gas = _pick(year)
    begins = _at(year)
    rise = np.clip((year.at - begins) / float(rng.choice([5.0, 20.0, 60.0])), 0.0, None)
    x = year.values[:, INDEX[gas]]
    x = year.rounded(x * (1.0 + np.minimum(rise, 3.0)))
    level = float(np.median(year.values[year.at < begins, INDEX[gas]]))
    top = float(f"{level * rng.uniform(1.5, 2.5):.1g}")
    top = top if top > 1.3 * level else 2.0 * float(f"{level:.1g}")
    year.values[:, INDEX[gas]] = np.minimum(x, top)
    full = np.flatnonzero(x >= top)
    return Spoiled(
        year, "saturated", "rising gas", frozenset({gas}), float(year.at[full[0]]), float(year.at[-1])
    )


def negative(seed: int) -> Spoiled:
    """A sensor that loses its zero: cut off at zero on the way here, for good or in most readings."""
    year = healthy(seed)
    rng = year.rng
    gas = _pick(year, least=10.0)
    begins = _at(year)
    after = (year.at >= begins) & (rng.random(len(year.at)) < float(rng.choice([0.5, 1.0])))
    year.values[after, INDEX[gas]] = 0.0
    year.below[after, INDEX[gas]] = False
    return Spoiled(
        year, "negative", "cut off at zero", frozenset({gas}), float(year.at[after][0]), float(year.at[-1])
    )


def missing(seed: int) -> Spoiled:
    """A quantity that no longer comes."""
    year = healthy(seed)
    name = str(year.rng.choice([*year.gases, "oil_temperature"]))
    begins = _at(year)
    year.values[year.at >= begins, INDEX[name]] = np.nan
    year.below[year.at >= begins, INDEX[name]] = False
    return Spoiled(year, "missing", "one quantity", frozenset({name}), begins, float(year.at[-1]))


def daily_cycle(seed: int) -> Spoiled:
    """A sensor that depends on the temperature around it, by 5 to 20 % either way over a day."""
    year = healthy(seed)
    rng = year.rng
    if year.rng.random() < 0.3:  # no thermometer comes with it
        for name in ("oil_temperature", "ambient_temperature"):
            year.values[:, INDEX[name]] = np.nan
    gas = _pick(year)
    size = float(rng.choice([0.05, 0.1, 0.2]))
    begins = _at(year)
    swing = _day_of(year) * size * float(rng.choice([-1.0, 1.0]))
    after = year.at >= begins
    x = year.values[:, INDEX[gas]]
    year.values[:, INDEX[gas]] = np.where(
        after & ~year.below[:, INDEX[gas]], year.rounded(x * (1.0 + swing)), x
    )
    return Spoiled(year, "daily_cycle", f"±{100 * size:.0f} %", frozenset({gas}), begins, float(year.at[-1]))


def _day_of(year: Year) -> Floats:
    """The daily swing of the temperature, ±1, with a little of the weather in it."""
    return np.asarray(
        -np.cos(2 * np.pi * year.at - 0.6) * (1.0 + 0.15 * year.rng.standard_normal(len(year.at)))
    )


KINDS: dict[str, Callable[[int], Spoiled]] = {
    f.__name__: f for f in (stuck, spike, step, drift, saturated, negative, missing, daily_cycle)
}
