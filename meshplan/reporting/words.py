"""How numbers, names and angles are written for people; shared by charts, sheets and the report."""

from __future__ import annotations

import html
import math
import re
from collections.abc import Iterable
from typing import Final

from meshplan.records import Plan, Remedy, Role
from meshplan.units import decibel_words, percent_words

MINUS: Final = "−"
UNKNOWN: Final = "not known"

_COMPASS: Final = (
    *("north", "north-north-east", "north-east", "east-north-east", "east", "east-south-east", "south-east"),
    *("south-south-east", "south", "south-south-west", "south-west", "west-south-west", "west", "west-north-west"),
    *("north-west", "north-north-west"),
)

ROLE_WORDS: Final = {Role.SENSOR: "sensor", Role.GATEWAY: "gateway", Role.RELAY: "relay"}

_UNSEEN: Final = re.compile("[\\x00-\\x08\\x0b\\x0c\\x0e-\\x1f\\x7f\\ud800-\\udfff\\ufffe\\uffff]")


def care_of(remedies: Iterable[Remedy]) -> tuple[str, ...]:
    """Return the safety texts that go with some advice, each once."""
    return tuple(dict.fromkeys(words for remedy in remedies for words in remedy.cautions))


def text(value: str) -> str:
    """Return text made safe for HTML and SVG, inside elements and inside quoted attributes."""
    return html.escape(_UNSEEN.sub("\N{REPLACEMENT CHARACTER}", value), quote=True)


def number(value: float, decimals: int = 0) -> str:
    """Return a number with a true minus sign, thin-spaced thousands and no negative zero."""
    if math.isnan(value):
        return UNKNOWN
    if math.isinf(value):
        return "no limit" if value > 0 else f"{MINUS}∞"
    written = f"{value:,.{decimals}f}".replace(",", "\N{NARROW NO-BREAK SPACE}")
    if float(f"{value:.{decimals}f}") == 0.0:
        written = written.lstrip("-")
    return written.replace("-", MINUS)


def metres(value: float) -> str:
    """Return a distance as a person would say it."""
    if not math.isfinite(value):
        return number(value)
    if abs(value) >= 10_000:
        return f"{number(value / 1000, 1)} km"
    return f"{number(value, 1 if abs(value) < 20 else 0)} m"


def legal_state(lawful: bool, verdict: str) -> str:
    """Return a verdict of the radio rules as it stands before the name of a rule."""
    if not lawful:
        return "NOT ALLOWED FOR DATA by" if verdict == "not allowed for data" else "NOT within"
    return "ON A CONDITION within" if verdict == "conditional" else "within"


def percent(share: float) -> str:
    """Return a share as percent; a forecast is never certain, so the ends say "over 99 %" and "under 1 %"."""
    return UNKNOWN if math.isnan(share) else percent_words(share)


def decibels(level_db: float) -> str:
    """Return a margin or a lack in decibels, the same everywhere: tenths below 10 dB, whole above."""
    return f"{decibel_words(level_db).replace('-', MINUS)} dB" if math.isfinite(level_db) else number(level_db)


def small_percent(share: float) -> str:
    """Return a small share as percent with two significant digits."""
    if not math.isfinite(share):
        return number(share)
    return f"{f'{100 * share:.2g}' if share < 0.1 else number(100 * share)} %"


def bearing(degrees: float) -> str:
    """Return an angle from true north with its compass word."""
    if math.isnan(degrees):
        return UNKNOWN
    return f"{number(round(degrees) % 360)}° ({compass(degrees)})"


def compass(degrees: float) -> str:
    """Return the nearest of sixteen compass words."""
    return _COMPASS[round(degrees / 22.5) % 16]


def opposite(degrees: float) -> float:
    """Return the angle back."""
    return (degrees + 180.0) % 360.0


def money(amount: float, currency: str) -> str:
    """Return an amount with its currency; whole amounts without decimals."""
    decimals = 0 if round(amount, 2) == round(amount) else 2
    return f"{number(amount, decimals)} {currency}"


def plain_name(key: str) -> str:
    """Return a catalogue key in readable words."""
    return key.replace("-", " ").replace("_", " ")


def shortened(name: str, longest: int) -> str:
    """Return a name cut to a length, with an ellipsis where it was cut."""
    flat = " ".join(name.split())
    return flat if len(flat) <= longest else f"{flat[: longest - 1]}…"


def listing(names: tuple[str, ...] | list[str], most: int = 8) -> str:
    """Return names as "a, b and c"; a long list is cut and counted."""
    if len(names) > most:
        return f"{', '.join(names[:most])} and {len(names) - most} more"
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def count(quantity: int, one: str, many: str = "") -> str:
    """Return "1 relay", "2 relays", "no relays"."""
    return f"{quantity or 'no'} {one if quantity == 1 else many or one + 's'}"


def not_bought(plan: Plan) -> tuple[str, ...]:
    """Return the sensors whose parts are on no shopping list, because they have no route."""
    listed = {name for line in plan.parts for name in line.devices}
    return tuple(
        device.name for device in plan.devices if device.role is Role.SENSOR and not device.served and device.name not in listed
    )


def not_bought_words(plan: Plan) -> str:
    """Return which sensors are not on the shopping list, as a sentence; empty where all are."""
    names = not_bought(plan)
    if not names:
        return ""
    have, them = ("has", "it") if len(names) == 1 else ("have", "them")
    return f"Neither listed nor in the sum: {listing(names)}, which {have} no route; buy nothing for {them} yet."
