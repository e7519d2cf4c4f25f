"""What to do about an instrument that is silent or reads wrong, and by when; common practice, no source."""

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from app.domain.alerting.advice import GENERAL_CAUTION, PRACTICE, SAMPLING_CAUTIONS
from app.domain.alerting.decisions import Condition, Reason
from app.notify.content import Step

URGENT: Final = timedelta(days=1)
"""Where the unit has an open gassing alert: nothing else watches it."""
SOON: Final = timedelta(days=3)
CALM: Final = timedelta(days=14)

AT_THE_UNIT: Final = (
    "The unit is energized. Look from outside first; nobody opens live equipment, and work at the instrument, its"
    " supply or its oil connections is for qualified people, under local rules, permits and the maker's instructions.",
    "Touch no oil valve to find out why an instrument is silent.",
)


def cautions_of(news: Reason, severity: int) -> tuple[str, ...]:
    """Those of going to the unit and of taking samples, where a notice asks for either."""
    if news is Reason.RETURNED:
        return AT_THE_UNIT[:1]
    return (*AT_THE_UNIT, *SAMPLING_CAUTIONS, GENERAL_CAUTION) if severity >= 2 else (GENERAL_CAUTION,)


def due(now: datetime, zone: str, within: timedelta) -> str:
    """The calendar day at the site, as a mail writes it."""
    day: date = (now + within).astimezone(ZoneInfo(zone)).date()
    return day.isoformat()


def steps_when_late(silent_at: str) -> tuple[Step, ...]:
    return (
        Step(
            f"Nothing need be done yet, unless somebody is at work on the network or the instrument. It counts as"
            f" silent from {silent_at} on, and a mail follows then.",
            "",
            PRACTICE,
        ),
    )


def steps_when_silent(
    units: Sequence[str], gassing: Sequence[str], now: datetime, zone: str
) -> tuple[Step, ...]:
    """Power, link, gateway; then laboratory samples. ``gassing``: those of the units with an open gassing alert."""
    within = URGENT if gassing else SOON
    instead = f"Plan laboratory samples of {', '.join(gassing or units)} for as long as it cannot be heard"
    if gassing:
        instead += ": there is an open gassing alert, and nothing on-line watches it now"
    return (
        Step(
            "From the desk: is its link up, does its gateway answer, and are other instruments behind the same"
            " gateway heard? Then it is the instrument, its cable or its key; otherwise the gateway or the link.",
            due(now, zone, URGENT),
            PRACTICE,
        ),
        Step(
            "At the unit, from outside: does the instrument have power, does it show a fault, is its cable sound?",
            due(now, zone, within),
            PRACTICE,
        ),
        Step(f"{instead}.", due(now, zone, within), PRACTICE),
        Step(
            "Is it known work? Then note a maintenance of the instrument: it is not told while that lasts.",
            "",
            PRACTICE,
        ),
    )


def steps_when_never_heard(unit: str, now: datetime, zone: str) -> tuple[Step, ...]:
    """Key, address, network, clock: what an instrument that is being commissioned can lack."""
    return (
        Step(
            "From the desk: was it put to work? Then ask whoever did for the log of its gateway: a wrong or mistyped"
            " key is answered 401, a wrong address or a missing route with nothing, samples of an unknown compartment"
            " with a refusal that names it.",
            due(now, zone, SOON),
            PRACTICE,
        ),
        Step(
            f"Until it is heard, {unit} is watched by its laboratory samples only: plan them accordingly.",
            due(now, zone, CALM),
            PRACTICE,
        ),
        Step(
            "Is it to be put to work later? Then note a maintenance of the instrument until that day, or revoke its"
            " key until it is needed: it is not told while it has none.",
            "",
            PRACTICE,
        ),
    )


def steps_when_site_silent(gassing: Sequence[str], now: datetime, zone: str) -> tuple[Step, ...]:
    within = URGENT if gassing else SOON
    units = (
        f" of {', '.join(gassing)}, which {'has' if len(gassing) == 1 else 'have'} an open gassing alert"
        if gassing
        else ""
    )
    return (
        Step(
            "From the desk: is the site's link up, and does its gateway answer? What all its instruments share is"
            " more likely than each of them alone.",
            due(now, zone, URGENT),
            PRACTICE,
        ),
        Step(
            "At the site: has the gateway, and what supplies the instruments, power?",
            due(now, zone, within),
            PRACTICE,
        ),
        Step(
            f"Plan laboratory samples{units} for as long as the instruments cannot be heard.",
            due(now, zone, within),
            PRACTICE,
        ),
    )


def steps_when_fleet_silent(now: datetime, zone: str) -> tuple[Step, ...]:
    return (
        Step(
            "Look at this service first: its network, name and address, its certificate or proxy, its clock. Nothing"
            " of the kind may be wrong at the sites.",
            due(now, zone, timedelta(0)),
            PRACTICE,
        ),
        Step("Then at the link that the sites share.", due(now, zone, URGENT), PRACTICE),
    )


def steps_when_back(missing: int, now: datetime, zone: str) -> tuple[Step, ...]:
    """Nothing, when all came; else to fetch the rest."""
    if missing <= 0:
        return ()
    return (
        Step(
            "If the rest does not come by itself: fetch the readings of that time from the memory of the instrument or"
            " the gateway, and send them. Late readings are taken and judged at their own time.",
            due(now, zone, CALM),
            PRACTICE,
        ),
    )


def steps_about_readings(
    condition: Condition, reason: Reason, severity: int, unit: str, now: datetime, zone: str
) -> tuple[Step, ...]:
    """For readings that look wrong (data quality) and for those that disagree with the laboratory."""
    if reason is Reason.RETURNED:
        return ()
    look = Step(
        "Open the instrument's page: which quantity, since when, and what its readings look like.",
        due(now, zone, SOON),
        PRACTICE,
    )
    serve = Step(
        "Have the instrument checked by who services it: flow of oil, membrane or extraction, calibration.",
        due(now, zone, CALM),
        PRACTICE,
    )
    if condition is Condition.AGREEMENT:
        again = "Take a laboratory sample beside a reading of the instrument, to see whether the difference holds."
        return (look, Step(f"{again} Unit: {unit}.", due(now, zone, CALM), PRACTICE), serve)
    if severity >= 2:
        sample = Step(
            f"Take a laboratory sample of {unit}: a rise of that gas would not be seen on-line now.",
            due(now, zone, SOON),
            PRACTICE,
        )
        return (look, sample, serve)
    return (look, serve)
