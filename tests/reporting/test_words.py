"""Numbers, names and angles as people read them."""

from __future__ import annotations

import math
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meshplan.reporting.words import bearing, compass, count, listing, metres, money, number, opposite, percent, shortened, text


@pytest.mark.parametrize(
    ("degrees", "word"),
    [(0, "north"), (22.5, "north-north-east"), (45, "north-east"), (90, "east"), (180, "south"), (270, "west"), (350, "north")],
)
def test_compass_words(degrees: float, word: str) -> None:
    assert compass(degrees) == word


@settings(deadline=None)
@given(st.floats(0, 360))
def test_looking_back_is_the_opposite_word(degrees: float) -> None:
    opposites = {"north": "south", "south": "north", "east": "west", "west": "east"}
    flipped = "-".join(opposites[part] for part in compass(degrees).split("-"))
    assert (
        compass(opposite(degrees)) == flipped or abs((degrees + 11.25) % 22.5) < 1e-6 or abs((degrees + 11.25) % 22.5 - 22.5) < 1e-6
    )


def test_minus_is_a_minus_and_zero_has_none() -> None:
    assert number(-98.4) == "−98"
    assert number(-0.4) == "0"
    assert number(1234.5, 1) == "1\u202f234.5"
    assert number(math.nan) == "not known"
    assert number(math.inf) == "no limit"


def test_a_forecast_is_never_certain() -> None:
    assert percent(1.0) == "over 99 %"
    assert percent(0.996) == "over 99 %"
    assert percent(0.99) == "99 %"
    assert percent(0.0) == "under 1 %"
    assert percent(math.nan) == "not known"


def test_distances_grow_coarser() -> None:
    assert [metres(value) for value in (1.25, 19.96, 250.4, 12_345)] == ["1.2 m", "20.0 m", "250 m", "12.3 km"]


def test_bearings_wrap() -> None:
    assert bearing(359.6) == "0° (north)"
    assert bearing(-90) == "270° (west)"


def test_money_is_whole_or_has_cents() -> None:
    assert money(277.0, "EUR") == "277 EUR"
    assert money(276.99999999, "EUR") == "277 EUR"
    assert money(12.5, "EUR") == "12.50 EUR"


def test_lists_and_counts() -> None:
    assert listing(["a", "b", "c"]) == "a, b and c"
    assert listing(["a", "b", "c"], 2) == "a, b and 1 more"
    assert listing([]) == ""
    assert [count(n, "relay") for n in (0, 1, 2)] == ["no relays", "1 relay", "2 relays"]


@settings(deadline=None)
@given(st.text(max_size=60), st.integers(2, 30))
def test_short_names_are_short(name: str, longest: int) -> None:
    assert len(shortened(name, longest)) <= longest


@settings(deadline=None)
@given(st.text(max_size=60))
def test_any_text_makes_well_formed_xml(value: str) -> None:
    element = ElementTree.fromstring(f'<a b="{text(value)}">{text(value)}</a>')
    assert "<" not in text(value)
    assert element.tag == "a"
