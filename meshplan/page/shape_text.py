"""GeoJSON of the user rewritten member by member: other features, foreign members, blanks and digits stay as they are."""

from __future__ import annotations

import codecs
import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from meshplan.errors import InputError

_BLANKS: Final = " \t\r\n"
_DECODER: Final = json.JSONDecoder()
COORDINATE_DIGITS: Final = 7
"""Decimals of a degree that are written: about a centimetre."""


@dataclass(frozen=True)
class Span:
    """A value with its place in the text."""

    value: Any
    start: int
    end: int


@dataclass(frozen=True)
class Shapes:
    """A collection of features with the place of each."""

    text: str
    bom: bytes
    features: tuple[Span, ...]
    """In the order of the file; the reader's messages count them from 1."""
    list_start: int
    """Behind the bracket that opens the list."""
    list_end: int
    """At the bracket that closes it."""

    def mark_of(self, place: int) -> str:
        """Return a short fingerprint of one feature, by which a change from outside is noticed."""
        feature = self.features[place]
        return hashlib.sha256(self.text[feature.start : feature.end].encode("utf-8")).hexdigest()[:16]


def shapes_of(content: bytes, shown: str) -> Shapes:
    """Return the features of a GeoJSON file with their places.

    Raises
    ------
    InputError
        Where it is no collection of features in UTF-8.
    """
    bom = codecs.BOM_UTF8 if content.startswith(codecs.BOM_UTF8) else b""
    try:
        text = content[len(bom) :].decode("utf-8")
        members = dict(_members(text, 0))
        features = members["features"]
        if members["type"].value != "FeatureCollection" or not isinstance(features.value, list):
            raise ValueError("no collection")
        found = tuple(_items(text, features.start))
        if not all(isinstance(item.value, dict) for item in found):
            raise ValueError("no features")
    except (ValueError, LookupError, RecursionError) as error:
        fix = "Save it as GeoJSON with a list of features (FeatureCollection), in UTF-8."
        raise InputError("cannot be changed here: it is no list of features", where=shown, fix=fix) from error
    return Shapes(text, bom, found, features.start + 1, features.end - 1)


def with_properties(shapes: Shapes, place: int, values: Mapping[str, Any]) -> bytes:
    """Return the file with some properties of one feature set; those that are None are taken out."""
    text = shapes.text
    for name, value in values.items():
        text = _with_property(text, shapes.features[place].start, name, value)
    return shapes.bom + text.encode("utf-8")


def with_geometry(shapes: Shapes, place: int, geometry: Mapping[str, Any]) -> bytes:
    """Return the file with another geometry of one feature."""
    written = _json(rounded(geometry))
    feature = shapes.features[place]
    there = dict(_members(shapes.text, feature.start)).get("geometry")
    if there is None:
        text = _with_member(shapes.text, feature.start, "geometry", written)
    else:
        text = shapes.text[: there.start] + written + shapes.text[there.end :]
    return shapes.bom + text.encode("utf-8")


def with_feature(shapes: Shapes, properties: Mapping[str, Any], geometry: Mapping[str, Any]) -> bytes:
    """Return the file with one more feature at its end, set apart as those before it are."""
    told = {name: value for name, value in properties.items() if value is not None}
    written = _json({"type": "Feature", "properties": told, "geometry": rounded(geometry)})
    text, features = shapes.text, shapes.features
    if not features:
        between = text[shapes.list_start : shapes.list_end]
        return shapes.bom + f"{text[: shapes.list_start]}{between}{written}{text[shapes.list_start :]}".encode()
    if len(features) > 1:
        gap = text[features[-2].end : features[-1].start]
    else:
        gap = "," + (text[shapes.list_start : features[0].start] or " ")
    end = features[-1].end
    return shapes.bom + (text[:end] + gap + written + text[end:]).encode("utf-8")


def without_feature(shapes: Shapes, place: int) -> bytes:
    """Return the file without one feature and without the comma that set it apart."""
    text, features = shapes.text, shapes.features
    start, end = features[place].start, features[place].end
    if place > 0:
        start = features[place - 1].end
    elif len(features) > 1:
        end = features[1].start
    return shapes.bom + (text[:start] + text[end:]).encode("utf-8")


def new_collection(properties: Mapping[str, Any], geometry: Mapping[str, Any]) -> bytes:
    """Return a new file with one feature."""
    return with_feature(shapes_of(b'{"type": "FeatureCollection", "features": [\n]}\n', "new file"), properties, geometry)


def rounded(geometry: Mapping[str, Any]) -> dict[str, Any]:
    """Return a geometry with its coordinates rounded to what is written."""
    return {name: _round(value) if name == "coordinates" else value for name, value in geometry.items()}


def _round(value: Any) -> Any:
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_round(item) for item in value]
    return round(float(value), COORDINATE_DIGITS)


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def _with_property(text: str, feature_start: int, name: str, value: Any) -> str:
    properties = dict(_members(text, feature_start)).get("properties")
    if properties is None or properties.value is None:
        if value is None:
            return text
        written = _json({name: value})
        if properties is None:
            return _with_member(text, feature_start, "properties", written)
        return text[: properties.start] + written + text[properties.end :]
    places = list(_places(text, properties.start))
    there = [place for place in places if place[0] == name]
    if value is None:
        for key, key_start, span in reversed(there):
            text = _without_member(text, places, (key, key_start, span))
            places = list(_places(text, properties.start))
        return text
    if there:
        span = there[-1][2]
        return (
            text
            if span.value == value and type(span.value) is type(value)
            else text[: span.start] + _json(value) + text[span.end :]
        )
    return _with_member(text, properties.start, name, _json(value))


def _without_member(text: str, places: list[tuple[str, int, Span]], gone: tuple[str, int, Span]) -> str:
    place = places.index(gone)
    if place > 0:
        return text[: places[place - 1][2].end] + text[gone[2].end :]
    if len(places) > 1:
        return text[: gone[1]] + text[places[1][1] :]
    return text[: gone[1]] + text[gone[2].end :]


def _with_member(text: str, start: int, name: str, written: str) -> str:
    """Return the text with one more member at the end of the object that begins at `start`."""
    places = list(_places(text, start))
    if not places:
        return f"{text[: start + 1]}{_json(name)}: {written}{text[start + 1 :]}"
    end = places[-1][2].end
    gap = text[places[-2][2].end : places[-1][1]] if len(places) > 1 else ", "
    colon = text[places[-1][1] + len(_key_text(text, places[-1][1])) : places[-1][2].start]
    return f"{text[:end]}{gap}{_json(name)}{colon}{written}{text[end:]}"


def _key_text(text: str, start: int) -> str:
    _, end = _DECODER.raw_decode(text, start)
    return text[start:end]


def _members(text: str, start: int) -> Iterator[tuple[str, Span]]:
    for name, _, span in _places(text, start):
        yield name, span


def _places(text: str, start: int) -> Iterator[tuple[str, int, Span]]:
    """Give name, place of the name and value of each member of the object that begins at `start`."""
    place = _skip(text, start)
    if text[place : place + 1] != "{":
        raise ValueError("no object")
    place = _skip(text, place + 1)
    while text[place : place + 1] != "}":
        key_start = place
        name, place = _DECODER.raw_decode(text, place)
        if not isinstance(name, str):
            raise ValueError("no name of a member")
        place = _skip(text, place)
        if text[place : place + 1] != ":":
            raise ValueError("no colon")
        value_start = _skip(text, place + 1)
        value, place = _DECODER.raw_decode(text, value_start)
        yield name, key_start, Span(value, value_start, place)
        place = _behind_comma(text, place, "}")


def _items(text: str, start: int) -> Iterator[Span]:
    place = _skip(text, start + 1)
    while text[place : place + 1] != "]":
        value, end = _DECODER.raw_decode(text, place)
        yield Span(value, place, end)
        place = _behind_comma(text, end, "]")


def _behind_comma(text: str, place: int, closing: str) -> int:
    place = _skip(text, place)
    if text[place : place + 1] == ",":
        return _skip(text, place + 1)
    if text[place : place + 1] != closing:
        raise ValueError("no comma")
    return place


def _skip(text: str, place: int) -> int:
    while place < len(text) and text[place] in _BLANKS:
        place += 1
    return place
