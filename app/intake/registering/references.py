"""Within one fleet file: nothing is defined twice, and nothing refers to what the file does not define.

This looks at the texts as they stand, so that an entry with another fault still defines its code.
"""

from collections.abc import Iterator, Mapping
from typing import Any

from app.domain.model import CompartmentKind, LimitScope
from app.intake.registering.faults import Fault, Place
from app.intake.registering.fields import moment
from app.intake.registering.things import MAIN

Entries = Iterator[tuple[Place, Mapping[str, Any]]]


class References:
    """What a file defines, what it refers to, and what is wrong with either."""

    def __init__(self) -> None:
        self.faults: list[Fault] = []
        self._defined: dict[str, set[str]] = {}

    def define(self, kind: str, name: str, place: Place) -> None:
        names = self._defined.setdefault(kind, set())
        if name in names:
            self.faults.append(Fault(place, f"the {kind} {name!r} is defined twice"))
        names.add(name)

    def refer(self, kind: str, name: str, place: Place) -> None:
        if name not in self._defined.get(kind, set()):
            self.faults.append(Fault(place, f"this file defines no {kind} {name!r}"))


def reference_faults(fleet: object) -> list[Fault]:
    """Every code that a fleet file defines twice or does not define, in the order of what builds on what."""
    found = References()
    for place, site in _entries(fleet, "sites"):
        _define(found, "site", site, place)
    for place, asset in _entries(fleet, "assets"):
        _asset(found, asset, place)
    for section in ("laboratories", "instruments"):
        for place, source in _entries(fleet, section):
            _define(found, "source", source, place)
    for place, instrument in _entries(fleet, "instruments"):
        _instrument(found, instrument, place)
    for place, contact in _entries(fleet, "contacts"):
        _define(found, "contact", contact, place)
        for i, code in _texts(contact, "sites"):
            found.refer("site", code, (*place, "sites", i))
    for place, event in _entries(fleet, "service_events"):
        _event(found, event, place)
    for place, limit in _entries(fleet, "limits"):
        keys = ("scope", "of", "quantity", "compartment")
        scope, of, quantity, kind = (_text(limit, key) for key in keys)
        kind = "" if kind == CompartmentKind.MAIN_TANK else kind
        found.define("limit", f"{scope} {of} {quantity} {kind}".rstrip(), (*place, "quantity"))
        if scope == LimitScope.ASSET and of:
            found.refer("asset", of, (*place, "of"))
    for place, step in _entries(fleet, "actions"):
        found.define("action", f"{_text(step, 'urgency')} {_whole(_text(step, 'order'))}", (*place, "order"))
    return found.faults


def _define(found: References, kind: str, entry: Mapping[str, Any], place: Place) -> None:
    if code := _text(entry, "code"):
        found.define(kind, code, (*place, "code"))


def _asset(found: References, asset: Mapping[str, Any], place: Place) -> None:
    _define(found, "asset", asset, place)
    if site := _text(asset, "site"):
        found.refer("site", site, (*place, "site"))
    code, parts = _text(asset, "code"), list(_entries(asset, "compartments", place))
    for at, part in parts:
        if name := _text(part, "name"):
            found.define("compartment", f"{code}/{name}", (*at, "name"))
    if not parts and code:
        found.define("compartment", f"{code}/{MAIN}", (*place, "code"))


def _instrument(found: References, instrument: Mapping[str, Any], place: Place) -> None:
    asset = _text(instrument, "asset")
    if not asset:
        return
    found.refer("asset", asset, (*place, "asset"))
    for i, name in _texts(instrument, "compartments"):
        found.refer("compartment", f"{asset}/{name}", (*place, "compartments", i))
    if not instrument.get("compartments"):
        found.refer("compartment", f"{asset}/{MAIN}", (*place, "compartments"))


def _event(found: References, event: Mapping[str, Any], place: Place) -> None:
    """One compartment, time and kind is one event: two would undo one another at each load."""
    asset, compartment = _text(event, "asset"), _text(event, "compartment") or MAIN
    if not asset:
        return
    found.refer("compartment", f"{asset}/{compartment}", (*place, "compartment"))
    try:
        at = moment(_text(event, "at"))
    except ValueError:  # told by the model
        return
    found.define(
        "service event",
        f"{asset}/{compartment} {at:%Y-%m-%dT%H:%M:%SZ} {_text(event, 'kind')}",
        (*place, "at"),
    )


def _entries(holder: object, key: str, at: Place = ()) -> Entries:
    found = holder.get(key) if isinstance(holder, Mapping) else None
    for i, entry in enumerate(found if isinstance(found, list) else []):
        if isinstance(entry, Mapping):
            yield (*at, key, i), entry


def _text(entry: Mapping[str, Any], key: str) -> str:
    found = entry.get(key)
    return found if isinstance(found, str) else ""


def _whole(text: str) -> int | str:
    """1 for ``1``, ``01`` and ``+1``."""
    try:
        return int(text)
    except ValueError:  # told by the model
        return text


def _texts(entry: Mapping[str, Any], key: str) -> Iterator[tuple[int, str]]:
    found = entry.get(key)
    for i, text in enumerate(found if isinstance(found, list) else []):
        if isinstance(text, str):
            yield i, text
