"""The sentences of findings about the oil: its tests, its water, and what they say of the paper."""

from dataclasses import dataclass
from typing import Final

from app.domain.writing import written


@dataclass(frozen=True, slots=True)
class OilTest:
    """One test of the oil that stands out; ``unit`` with a space before it, ``below``: low values are bad."""

    label: str
    value: float
    unit: str
    below: bool
    fair: bool
    again: bool


def oil_test(test: OilTest, limit: float, of_what: str, *, from_memory: bool) -> str:
    """A test of the oil beyond a limit; ``of_what``: whose limit it is."""
    side = "below" if test.below else "above"
    kind = f"the {'least' if test.below else 'greatest'} value of "
    fair = " that is more than fair" if test.fair else ""
    memory = ", a limit from memory" if from_memory else ""
    then = "the test before it was too" if test.again else "do not decide on one test result: repeat the test"
    whose = f" {of_what}" if of_what else ""
    return (
        f"{test.label.capitalize()} {written(test.value, 6)}{test.unit} is {side} {kind}"
        f"{written(limit, 6)}{test.unit}{fair}{whose}{memory}; {then}."
    )


def whose(source: str, kv: float, *, from_memory: bool) -> str:
    """Whose limit it is: ``for 110 kV, from memory``, ``that the owner set``."""
    if source == "owner's limit":
        return "that the owner set"
    by = "by its voltage" if kv != kv else f"for {written(kv, 6)} kV"
    return f"{by}, from memory" if from_memory else by


@dataclass(frozen=True, slots=True)
class Saturated:
    """Water [mg/kg] at a temperature [°C], its saturation there and at the temperature of comparison [%]."""

    water: float
    temperature: float
    rs: float
    equal: float
    equal_at: float
    online: bool

    @property
    def words(self) -> str:
        where = "Over the last days water of" if self.online else "Water of"
        here = f"{written(self.water)} mg/kg at {self.temperature:.0f} °C"
        text = f"{where} {here} is {written(self.rs, 2)} % of saturation"
        if self.temperature < self.equal_at:
            text += f", {written(self.equal, 2)} % at {self.equal_at:.0f} °C"
        return text


SATURATED: Final = {
    "water_wet": "the oil is wet (above 20 %, from memory)",
    "water_very_wet": "the oil is extremely wet (above 30 %, from memory)",
    "water_free": "more than the oil can dissolve: free water, or a wrong figure",
    "cold": "the oil is cold, and only warm oil tells how wet the unit is: sample it again while it is warm",
}


def saturated(one: Saturated, name: str) -> str:
    """Against the bands that hold for every voltage."""
    return f"{one.words}: {SATURATED[name]}."


def saturated_above(one: Saturated, limit: float, of_what: str) -> str:
    """Above a limit of relative saturation."""
    return f"{one.words}, above the greatest value of {written(limit, 3)} % {of_what}."


def water_above(value: float, limit: float, of_what: str, *, again: bool) -> str:
    """Above a limit of the content of water."""
    then = "the sample before was too" if again else "do not decide on one test result"
    return f"Water {written(value, 6)} mg/kg is above {written(limit, 6)} mg/kg {of_what}; {then}."


def free_water(water: float, free_at: float, coldest: float) -> str:
    """What comes out of the oil when it cools."""
    return (
        f"Water of {written(water)} mg/kg begins to come out of the oil below about {free_at:.0f} °C, and oil of "
        f"{coldest:.0f} °C is to be expected: free water may lie at the bottom of a unit that has cooled."
    )


def water_rise(rs: float, usual: float, temperature: float) -> str:
    """A rise at like temperatures."""
    return (
        f"At an oil temperature about {temperature:.0f} °C saturation was {written(usual, 2)} % and is "
        f"{written(rs, 2)} %: the unit is getting wetter."
    )


PAPER_NOT_TOLD: Final = {
    "too few readings": "the oil's temperature is not known over the three days before the sample",
    "too cold": "the oil was not above 50 °C all through the three days before the sample",
    "not steady": "the oil's temperature moved by more than 10 K in the three days before the sample",
}


def paper_not_told(why: str) -> str:
    """Why water in paper is not told."""
    return f"Water in paper is not told: {PAPER_NOT_TOLD[why]}."


def wet_paper(low: float, high: float, limit: float) -> str:
    """Apparent water in paper above that of aged units."""
    return (
        f"Apparent water in paper is {written(low, 2)} to {written(high, 2)} % by mass, if oil and paper are in "
        f"balance (from memory); aged units have up to {written(limit, 2)} %."
    )


def bubble_margin(hot: tuple[float, float], inception: tuple[float, float], load: float | None) -> str:
    """How far the load's hot spot is from bubbles; both are bands."""
    at = "at rated load" if load is None else f"at {100 * load:.0f} % load"
    return (
        f"Bubbles form at a hot spot of {inception[0]:.0f} to {inception[1]:.0f} °C and it is {hot[0]:.0f} to "
        f"{hot[1]:.0f} °C {at}: a margin of {inception[0] - hot[1]:.0f} to {inception[1] - hot[0]:.0f} K (from memory)."
    )


PAPER_KINDS: Final = {
    "plain": "for plain paper",
    "upgraded": "for upgraded paper",
    "unknown": "for plain or upgraded paper, since it is not known which",
}


def dp_words(band: tuple[float, float]) -> str:
    """A band of the degree of polymerization, to ten; below 100 nobody knows a figure."""
    low, high = (10 * round(end / 10) for end in band)
    if high < 100:
        return "below 100"
    if low == high:
        return f"about {low}"
    return f"up to {high}" if low < 100 else f"{low} to {high}"


def polymerization(furfural: float, band: tuple[float, float], paper: str, late: float, end: float) -> str:
    """What furfural says of the paper, as a band; ``late``, ``end``: below which it is late in life, near its end."""
    means = (
        "the paper is late in its life" if band[1] < late else "by some formula the paper is late in its life"
    )
    if band[1] < end:
        means = "the paper is near its end, and any stress can break it"
    elif band[0] < end:
        means += ", by some near its end, where any stress can break it"
    return (
        f"Furfural of {written(furfural)} mg/kg speaks for a mean degree of polymerization of {dp_words(band)} "
        f"{PAPER_KINDS[paper]} (formulas from memory): {means}."
    )


def furfural_above(value: float, limit: float) -> str:
    """Above an owner's limit."""
    return f"Furfural of {written(value)} mg/kg is above {written(limit, 6)} mg/kg that the owner set."


def furfural_rise(value: float, usual: float) -> str:
    """A rise against the record."""
    return f"Furfural rose to {written(value)} mg/kg, where {written(usual, 2)} mg/kg was usual: the paper ages faster."


def paper_involved(carbon: float) -> str:
    """Raised CO and hydrocarbons with little CO2."""
    return f"CO₂/CO is {written(carbon, 2)} while CO and hydrocarbons are raised: paper may be involved in the fault."


def slow_ageing(co2: float, carbon: float) -> str:
    """Much CO2 and little CO."""
    return f"CO₂ is {written(co2, 5)} µL/L and CO₂/CO {written(carbon, 3)}: slow ageing of paper; furans would tell."
