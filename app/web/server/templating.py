"""Jinja2 set-up: autoescape on, and the filters that give numbers their units and times their zone."""

from datetime import UTC, date, datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import Depends, Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from markupsafe import Markup, escape

from app.domain.judging.methods import PICTURED
from app.domain.judging.reporting.methods import in_order
from app.domain.judging.reporting.numbers import NUMBER_UNITS
from app.domain.model import Reading
from app.domain.writing import chance, written
from app.plots.palette import marker_svg
from app.plots.sparkline import sparkline
from app.science.oil.moisture import solubility_constants
from app.science.quantities import BY_NAME
from app.services.exporting.export_files import has_parquet
from app.services.health.pulse import read_pulse
from app.services.pages.fleet_overview import FleetRow
from app.store.database import Database
from app.web.dependencies import AppClock, Store
from app.web.server import wording
from app.web.server.clock import Clock
from app.web.server.static_files import static_url

_SUBSCRIPTS = str.maketrans({digit: f"<sub>{i}</sub>" for i, digit in enumerate("₀₁₂₃₄₅₆₇₈₉")})
MINUS = "\N{MINUS SIGN}"
THIN_SPACE = "\N{NARROW NO-BREAK SPACE}"


def number(value: float | None, digits: int = 3) -> str:
    """A number as people write it: ``digits`` significant figures, thousands grouped, a real minus sign."""
    if value is None:
        return "–"
    whole, point, part = written(abs(value), digits).partition(".")
    sign = MINUS if value < 0 and (whole, part) != ("0", "") else ""
    return f"{sign}{int(whole):,}".replace(",", THIN_SPACE) + point + part


def signed(value: float | None, digits: int = 3) -> str:
    """Like :func:`number`, with a plus sign on gains."""
    if value is None:
        return "–"
    return f"+{number(value, digits)}" if value > 0 else number(value, digits)


def reading(value: Reading | None) -> str:
    """A reading without its unit; ``< 0.5`` when it is below the detection limit."""
    if value is None:
        return "–"
    return f"<{THIN_SPACE}{number(value.below)}" if value.below is not None else number(value.value, 4)


def brief(text: str | None) -> Markup:
    """A reading as the history keeps it (``20.9649496844619``, ``<0.466``) in four figures, with all in the title."""
    if text is None:
        return Markup("none")
    sign, digits = ("<", text[1:]) if text.startswith("<") else ("", text)
    try:
        shown = f"{sign}{THIN_SPACE * bool(sign)}{number(float(digits), 4)}"
    except ValueError:
        return Markup(escape(text))
    if shown.replace(THIN_SPACE, "").replace(MINUS, "-") == text:
        return Markup(escape(shown))
    return Markup('<span title="{}">{}</span>').format(text, shown)


def chemical(text: str) -> Markup:
    """Turns subscript characters into ``<sub>``, which every font can draw."""
    return Markup(str(escape(text)).translate(_SUBSCRIPTS))


def symbol(quantity: str) -> Markup:
    """``C₂H₂`` of a quantity's name; the name itself when it is not a quantity."""
    known = BY_NAME.get(quantity)
    return chemical(known.symbol) if known else Markup(escape(quantity))


def moment(at: datetime | None, zone: str = "UTC") -> Markup:
    """A time in the site's zone, with the zone's name; UTC in the title."""
    if at is None:
        return Markup("–")
    local = at.astimezone(ZoneInfo(zone))
    return Markup('<time datetime="{}" title="{}">{} <span class="zone">{}</span></time>').format(
        at.astimezone(UTC).isoformat(timespec="seconds"),
        at.astimezone(UTC).strftime("%Y-%m-%d %H:%M:%S UTC"),
        local.strftime("%Y-%m-%d %H:%M"),
        _zone_name(local),
    )


def day(at: date | datetime | None, zone: str = "UTC") -> Markup:
    """A calendar day; of a time, the day in the site's zone."""
    if at is None:
        return Markup("–")
    if isinstance(at, datetime):
        local = at.astimezone(ZoneInfo(zone))
        title = at.astimezone(UTC).strftime("%Y-%m-%d %H:%M UTC")
        return Markup('<time datetime="{}" title="{}">{}</time>').format(
            at.astimezone(UTC).isoformat(timespec="seconds"), title, local.date().isoformat()
        )
    return Markup('<time datetime="{0}">{0}</time>').format(at.isoformat())


def age(at: datetime | None, now: datetime) -> str:
    """How long ago, in the largest unit that gives at least two: ``14 min ago``, ``3 months ago``."""
    if at is None:
        return "never"
    seconds = (now - at).total_seconds()
    if seconds < -60:
        return f"in {_span(-seconds)}"
    return f"{_span(max(seconds, 0.0))} ago"


def _span(seconds: float) -> str:
    for size, single in ((31_556_952, "year"), (2_629_746, "month"), (86_400, "day")):
        if seconds >= 2 * size:
            return f"{seconds / size:.0f} {single}s"
    for size, short in ((3_600, "h"), (60, "min")):
        if seconds >= 2 * size:
            return f"{seconds / size:.0f} {short}"
    return f"{seconds:.0f} s"


def span(length: timedelta) -> str:
    """A length of time in its natural unit: ``15 min``, ``4 h``, ``1 day``."""
    minutes = length.total_seconds() / 60
    for size, name in ((1440, "day"), (60, "h")):
        if minutes >= size and minutes % size == 0:
            count = minutes / size
            return f"{count:.0f} {name}{'s' if name == 'day' and count > 1 else ''}"
    return f"{minutes:.0f} min"


def sparkline_of(row: FleetRow) -> Markup:
    """The sparkline of a fleet row's key quantity, with the limit that made it the key one."""
    if row.key_quantity is None:
        return Markup("")
    limit = row.reason.limit if row.reason and row.reason.rule == "level" else None
    return Markup(sparkline(row.spark, row.key_quantity, limit))


def _zone_name(local: datetime) -> str:
    name = local.tzname() or "UTC"
    return f"UTC{name.replace('-', MINUS)}" if name[:1] in "+-" else name


def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parents[1] / "templates"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        number=number,
        chance=chance,
        signed=signed,
        reading=reading,
        brief=brief,
        chemical=chemical,
        symbol=symbol,
        moment=moment,
        day=day,
        age=age,
        span=span,
        in_order=in_order,
        sentence=lambda text: text[:1].upper() + text[1:],
        words=lambda name: str(name).replace("_", " "),
    )
    environment.globals.update(
        static_url=static_url,
        has_parquet=has_parquet,
        QUANTITIES=BY_NAME,
        wording=wording,
        PICTURED=PICTURED,
        marker_svg=lambda quantity: Markup(marker_svg(quantity)),
        sparkline_of=sparkline_of,
        NUMBER_UNITS=NUMBER_UNITS,
        solubility_constants=solubility_constants,
    )
    return environment


ENVIRONMENT = _environment()


class Renderer:
    """Draws the page that a request asked for. Every template gets the request, its path and one moment."""

    def __init__(self, request: Request, database: Database, clock: Clock) -> None:
        self._request = request
        self._database = database
        self._clock = clock

    @cached_property
    def now(self) -> datetime:
        """The page's moment: when it is first asked for, which is after what took its time."""
        return self._clock()

    def __call__(self, template: str, status_code: int = 200, **context: Any) -> HTMLResponse:
        """A page with the worker's pulse."""
        return self.alone(template, status_code, pulse=read_pulse(self._database, self.now), **context)

    def alone(self, template: str, status_code: int = 200, **context: Any) -> HTMLResponse:
        """A page that asks nothing of the database: it stands when that is gone."""
        request = self._request
        html = ENVIRONMENT.get_template(template).render(
            request=request, now=self.now, path=request.url.path, **context
        )
        return HTMLResponse(html, status_code)


async def _renderer(request: Request, database: Store, clock: AppClock) -> Renderer:
    return Renderer(request, database, clock)


Render = Annotated[Renderer, Depends(_renderer)]
