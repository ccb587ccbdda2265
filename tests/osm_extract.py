"""Invented OpenStreetMap extracts for tests, as XML and in the binary form.

Formats: pages "OSM XML" and "PBF Format" of wiki.openstreetmap.org (blobs with raw or deflated blocks, granularity 100 nanodegrees,
ids and references as differences). Places are metres from the south-west corner of the small property.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from xml.sax.saxutils import quoteattr

from small_property import lon_lat

Place = tuple[float, float]
Tags = Mapping[str, str]
Numbers = Callable[[str], int]


@dataclass
class Extract:
    """An extract in the making; nodes are numbered from 1, ways from 1001, relations from 9001."""

    nodes: list[tuple[int, Place, Tags]] = field(default_factory=list)
    ways: list[tuple[int, list[int], Tags]] = field(default_factory=list)
    relations: list[tuple[int, list[tuple[int, str]], Tags]] = field(default_factory=list)
    remark: str = ""
    missing: set[int] = field(default_factory=set)
    """Nodes that are left out when it is written."""

    def node(self, place: Place, **tags: str) -> int:
        self.nodes.append((len(self.nodes) + 1, place, _keys(tags)))
        return len(self.nodes)

    def line(self, places: Sequence[Place], tags: Tags) -> int:
        return self.way([self.node(place) for place in places], tags)

    def area(self, places: Sequence[Place], tags: Tags) -> int:
        refs = [self.node(place) for place in places]
        return self.way([*refs, refs[0]], tags)

    def box(self, west: float, south: float, east: float, north: float, tags: Tags) -> int:
        return self.area([(west, south), (east, south), (east, north), (west, north)], tags)

    def way(self, refs: Sequence[int], tags: Tags) -> int:
        self.ways.append((1001 + len(self.ways), list(refs), tags))
        return self.ways[-1][0]

    def relation(self, members: Sequence[tuple[int, str]], tags: Tags) -> int:
        self.relations.append((9001 + len(self.relations), list(members), tags))
        return self.relations[-1][0]

    def xml(self) -> str:
        lines = ['<?xml version="1.0" encoding="UTF-8"?>', '<osm version="0.6" generator="a test">']
        for number, place, tags in self.nodes:
            if number not in self.missing:
                lon, lat = lon_lat(*place)
                lines.append(f'<node id="{number}" lat="{lat:.7f}" lon="{lon:.7f}">{_tags_xml(tags)}</node>')
        for number, refs, tags in self.ways:
            nds = "".join(f'<nd ref="{ref}"/>' for ref in refs)
            lines.append(f'<way id="{number}">{nds}{_tags_xml(tags)}</way>')
        for number, members, tags in self.relations:
            inside = "".join(f'<member type="way" ref="{ref}" role="{role}"/>' for ref, role in members)
            lines.append(f'<relation id="{number}">{inside}{_tags_xml(tags)}</relation>')
        lines += [f"<remark>{self.remark}</remark>"] if self.remark else []
        return "\n".join([*lines, "</osm>", ""])

    def write(self, path: Path) -> Path:
        if path.suffix == ".pbf":
            path.write_bytes(self.pbf())
        else:
            path.write_text(self.xml(), encoding="utf-8")
        return path

    def pbf(self) -> bytes:
        header = _bytes(4, b"OsmSchema-V0.6")
        strings: dict[bytes, int] = {b"": 0}

        def number_of(text: str) -> int:
            return strings.setdefault(text.encode(), len(strings))

        groups = [
            b"".join(_bytes(1, self._node(number, place, tags, number_of)) for number, place, tags in self.nodes),
            b"".join(_bytes(3, self._way(number, refs, tags, number_of)) for number, refs, tags in self.ways),
            b"".join(_bytes(4, self._relation(number, members, tags, number_of)) for number, members, tags in self.relations),
        ]
        table = b"".join(_bytes(1, text) for text in strings)
        block = _bytes(1, table) + b"".join(_bytes(2, group) for group in groups if group)
        return _blob(b"OSMHeader", header) + _blob(b"OSMData", block)

    def _node(self, number: int, place: Place, tags: Tags, number_of: Numbers) -> bytes:
        lon, lat = lon_lat(*place)
        return (
            _int(1, _zigzag(number))
            + _tag_bytes(tags, number_of)
            + _int(8, _zigzag(round(lat * 1e7)))
            + _int(9, _zigzag(round(lon * 1e7)))
        )

    def _way(self, number: int, refs: Sequence[int], tags: Tags, number_of: Numbers) -> bytes:
        return _int(1, number) + _tag_bytes(tags, number_of) + _bytes(8, _differences(refs))

    def _relation(self, number: int, members: Sequence[tuple[int, str]], tags: Tags, number_of: Numbers) -> bytes:
        roles = b"".join(_varint(number_of(role)) for _, role in members)
        types = _varint(1) * len(members)
        refs = _differences([ref for ref, _ in members])
        return _int(1, number) + _tag_bytes(tags, number_of) + _bytes(8, roles) + _bytes(9, refs) + _bytes(10, types)


def _keys(tags: Mapping[str, str]) -> dict[str, str]:
    return {key.replace("__", ":"): value for key, value in tags.items()}


def _tags_xml(tags: Tags) -> str:
    return "".join(f"<tag k={quoteattr(key)} v={quoteattr(value)}/>" for key, value in tags.items())


def _varint(value: int) -> bytes:
    out = bytearray()
    while True:
        out.append(value & 0x7F | (0x80 if value > 0x7F else 0))
        value >>= 7
        if not value:
            return bytes(out)


def _zigzag(value: int) -> int:
    return value << 1 if value >= 0 else (-value << 1) - 1


def _int(number: int, value: int) -> bytes:
    return _varint(number << 3) + _varint(value)


def _bytes(number: int, value: bytes) -> bytes:
    return _varint(number << 3 | 2) + _varint(len(value)) + value


def _tag_bytes(tags: Tags, number_of: Numbers) -> bytes:
    keys = b"".join(_varint(number_of(key)) for key in tags)
    values = b"".join(_varint(number_of(value)) for value in tags.values())
    return _bytes(2, keys) + _bytes(3, values) if tags else b""


def _differences(values: Sequence[int]) -> bytes:
    before = [0, *values[:-1]]
    return b"".join(_varint(_zigzag(value - last)) for value, last in zip(values, before, strict=True))


def _blob(kind: bytes, content: bytes) -> bytes:
    blob = _int(2, len(content)) + _bytes(3, zlib.compress(content))
    header = _bytes(1, kind) + _int(3, len(blob))
    return struct.pack(">i", len(header)) + header + blob


def usual_extract() -> Extract:
    """Return an extract with one of nearly everything, round the small property."""
    made = Extract()
    made.box(400, 400, 500, 500, {"natural": "wood", "leaf_type": "needleleaved"})
    made.line([(300, 100), (300, 300)], {"barrier": "hedge", "height": "2.5"})
    made.line([(100, 500), (250, 500)], {"natural": "tree_row"})
    made.node((50, 550), natural="tree", height="12 m", diameter_crown="9")
    made.box(40, 280, 52, 290, {"building": "house", "building:levels": "2", "roof:shape": "gabled", "building:material": "brick"})
    made.box(20, 260, 40, 270, {"building": "barn", "height": "30'", "name": "not to be read"})
    made.box(10, 100, 60, 130, {"building": "greenhouse"})
    made.box(300, 400, 390, 590, {"landuse": "orchard", "trees": "olive_trees"})
    made.box(420, 20, 580, 200, {"landuse": "farmland", "crop": "maize"})
    made.box(320, 20, 410, 200, {"landuse": "farmland"})
    made.box(100, 20, 200, 100, {"landuse": "meadow", "barrier": "hedge"})
    made.box(520, 300, 560, 340, {"natural": "water", "water": "pond"})
    made.line([(0, 210), (600, 215)], {"waterway": "stream"})
    made.line([(0, 5), (600, 5)], {"highway": "track"})
    return made
