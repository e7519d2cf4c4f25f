"""What an alert mail says, as data; and its text and HTML, made from the same structure."""

import textwrap
from dataclasses import dataclass
from functools import cache
from typing import Final

import css_inline
from jinja2 import Environment, PackageLoader, StrictUndefined

PREFIX: Final = "[Ullage]"
"""Begins every subject, so that filters can match it."""


@dataclass(frozen=True, slots=True)
class Why:
    """Findings that rest on one source, each a sentence."""

    sentences: tuple[str, ...]
    source: str


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do. ``due`` is written as a date, or empty."""

    text: str
    due: str
    source: str


@dataclass(frozen=True, slots=True)
class MailContent:
    """Everything an alert mail says; times are written in the site's time zone with its name."""

    subject: str
    headline: str
    what: str
    """One sentence: what changed."""
    unit: str
    place: str
    nameplate: str
    sample: str
    """When and by whom the sample was taken."""
    since: str
    """Since when the alert has been open."""
    course: str
    """Where the unit's record has come to, and how grave that is; empty where none is told."""
    fault: str
    how_sure: str
    why: tuple[Why, ...]
    compared_with: str
    """What the changes are counted from."""
    changes: tuple[str, ...]
    """What else changed, one entry a gas."""
    steps: tuple[Step, ...]
    cautions: tuple[str, ...]
    link: str
    rule_set: str


@dataclass(frozen=True, slots=True)
class Notice:
    """Everything a mail about an instrument, a site or the fleet says; times as in :class:`MailContent`."""

    subject: str
    headline: str
    what: str
    """What is known, in a few sentences."""
    facts: tuple[tuple[str, str], ...]
    table: str
    """The heading over ``rows``."""
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    """One row an instrument; empty when there is only one."""
    steps: tuple[Step, ...]
    cautions: tuple[str, ...]
    link: str
    link_text: str


@dataclass(frozen=True, slots=True)
class RenderedMail:
    subject: str
    text: str
    html: str


@cache
def _environment(autoescape: bool) -> Environment:
    return Environment(
        loader=PackageLoader("app.notify"),
        autoescape=autoescape,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def render(content: MailContent | Notice) -> RenderedMail:
    """Subject, plain text (72 columns) and HTML of a mail."""
    name = "alert" if isinstance(content, MailContent) else "notice"
    environment = _environment(False)
    environment.filters["fill"] = fill
    text = environment.get_template(f"{name}.txt").render(mail=content)
    html = _environment(True).get_template(f"{name}.html").render(mail=content)
    inliner = css_inline.CSSInliner(keep_style_tags=True)  # the narrow-screen rules cannot be inlined
    return RenderedMail(content.subject, text.strip() + "\n", inliner.inline(html))


def fill(text: str, indent: str = "") -> str:
    """Text broken at 72 columns, all lines indented; the template has written the first line's margin."""
    return textwrap.fill(
        text,
        width=72,
        initial_indent=indent,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )[len(indent) :]
