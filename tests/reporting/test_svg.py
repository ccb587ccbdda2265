"""What the drawings are made of: words and attributes cannot break out, figures are written as drawings need them."""

from __future__ import annotations

from xml.etree import ElementTree

from hypothesis import given
from hypothesis import strategies as st

from meshplan.reporting.svg import decades, element, head, label, ticks

WORDS = st.text(st.characters(min_codepoint=32, max_codepoint=0xD7FF, exclude_characters="\x7f\x85\u2028\u2029"), max_size=40)


@given(WORDS, WORDS)
def test_words_come_back_from_a_reader_of_xml_as_they_were(said: str, called: str) -> None:
    drawn = ElementTree.fromstring(head(30, 20, called, aria_label=called) + label(1.0, 2, said, id=called) + "</svg>")
    named, written = list(drawn)
    assert drawn.attrib.get("aria-label", "") == written.attrib["id"] == (named.text or "") == called
    assert (written.text or "") == said


def test_real_numbers_have_one_decimal_whole_ones_none_and_none_is_left_out() -> None:
    assert element("rect", x=2, y=2.04, stroke_width=None, fill="none") == '<rect x="2" y="2.0" fill="none"/>'
    assert element("g", "") == "<g></g>"


def test_ticks_are_round_and_inside() -> None:
    assert ticks(-100.0, -40.0) == [-100, -95, -90, -85, -80, -75, -70, -65, -60, -55, -50, -45, -40]
    assert ticks(-3.0, 3.0, 2) == [-2, 0, 2]
    assert decades(3.0, 60.0) == [5.0, 10.0, 20.0, 50.0]
