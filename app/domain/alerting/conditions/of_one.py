"""What notices about one instrument share."""

from app.domain.alerting.notices import Facts, Said


def said_of(facts: Facts, short: str, what: str) -> Said:
    """A notice about one instrument, of which ``short`` is true."""
    one = facts.only.instrument
    return Said(f"{one.asset_code}: instrument {one.code} {short}", f"Instrument {one.code} {short}", what)


def about_readings(facts: Facts) -> str:
    """What a look found, and that it says nothing of the unit."""
    grave = " A rise of the gas might not be seen on-line." if facts.change.severity >= 2 else ""
    text = facts.headline[:1].upper() + facts.headline[1:].removesuffix(".")
    unit = facts.only.instrument.asset_code
    return f"{text}.{grave} This is about the instrument; alerts about {unit} stand as they stood."
