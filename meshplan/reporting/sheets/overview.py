"""A small map of the whole plan for the cover: outlines, links, devices, north arrow, scale bar."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from meshplan.records import Device, Link, MapShape, Plan, Role
from meshplan.records.utility import MapWire
from meshplan.reporting.map.palette import VERDICT_STYLES, cover_colour
from meshplan.reporting.paper import role_shape
from meshplan.reporting.svg import INK, box, element, head, label, nice_step, notice, path, title, track
from meshplan.reporting.words import metres, shortened

_DEGREE_M: Final = 111_320.0
"""Metres a degree of latitude, good enough for a drawing."""

EDGE: Final = 34.0
LETTER: Final = 5.9
"""Mean width of a letter of a label, in drawing units."""

MOST_OUTLINES: Final = 2000
"""Of more outlines the largest are drawn; the rest, of which a drawing cannot show the shape, as squares by kind."""
SQUARE: Final = 2.0
"""Side of such a square in drawing units."""


@dataclass
class _Frame:
    """Turns longitude and latitude into drawing units and keeps track of the room taken by labels."""

    west_deg: float
    north_deg: float
    shrink: float
    units_per_m: float
    left: float
    top: float
    taken: list[tuple[float, float, float, float]] = field(default_factory=list)

    def at(self, lon_deg: float, lat_deg: float) -> tuple[float, float]:
        x_m = (lon_deg - self.west_deg) * _DEGREE_M * self.shrink
        y_m = (self.north_deg - lat_deg) * _DEGREE_M
        return self.left + x_m * self.units_per_m, self.top + y_m * self.units_per_m


def overview_svg(
    plan: Plan,
    *,
    width: int = 720,
    height: int = 430,
    numbers: Mapping[str, int] | None = None,
    way: Sequence[tuple[float, float]] = (),
) -> str:
    """Return the plan as a map in one SVG element.

    `numbers` are the sheets of devices. With a `way` on foot (longitude, latitude) it is drawn in place of the links, and only
    the numbered devices and the gateways and relays have names.
    """
    shown = [device for device in plan.devices if device.in_plan or device.name in (numbers or {})]
    frame = _frame(plan, shown, width, height)
    words = f"Map of {plan.property_name}"
    edge = box(0.5, 0.5, width - 1, height - 1, fill="#ffffff", stroke=INK)
    start = f"{head(width, height, words, aria_label=words)}{edge}"
    if frame is None:
        return f"{start}{notice(width, height, 'No devices to show.')}</svg>"
    places = {device.name: frame.at(device.lon_deg, device.lat_deg) for device in shown}
    parts = (
        *_outlines(_back_to_front(plan.shapes), frame, width, height),
        *(_wire(wire, frame) for wire in plan.wires),
        *(_line(link, places) for link in plan.chosen_links if not way and link.a in places and link.b in places),
        _way([frame.at(*point) for point in way]),
        *_devices(shown, places, frame, width, height, numbers or {}, named_only=bool(way)),
        _scale_bar(frame, height),
        _north(width),
    )
    return f"{start}{''.join(parts)}</svg>"


def _frame(plan: Plan, shown: Iterable[Device], width: int, height: int) -> _Frame | None:
    points = [(device.lon_deg, device.lat_deg) for device in shown]
    if not points:
        return None
    points += [point for shape in plan.shapes if shape.kind == "boundary" for ring in shape.rings for point in ring]
    west, east = min(p[0] for p in points), max(p[0] for p in points)
    south, north = min(p[1] for p in points), max(p[1] for p in points)
    shrink = math.cos(math.radians((south + north) / 2))
    wide_m, tall_m = max((east - west) * _DEGREE_M * shrink, 20.0), max((north - south) * _DEGREE_M, 20.0)
    scale = min((width - 2 * EDGE - 90) / wide_m, (height - 2 * EDGE) / tall_m)
    return _Frame(west, north, shrink, scale, (width - wide_m * scale) / 2, (height - tall_m * scale) / 2)


def _back_to_front(shapes: Iterable[MapShape]) -> list[MapShape]:
    rank = {"boundary": 2, "building": 1, "not_mapped": -1}
    return sorted(shapes, key=lambda shape: rank.get(shape.kind, 0))


def _outlines(shapes: Sequence[MapShape], frame: _Frame, width: int, height: int) -> Iterable[str]:
    """Yield the outlines; of very many the small ones as squares, those of one kind together, below the others."""
    if len(shapes) <= MOST_OUTLINES:
        return [_outline(shape, frame) for shape in shapes]
    extents = [_extent(shape, frame) for shape in shapes]
    areas = [(x1 - x0) * (y1 - y0) for x0, y0, x1, y1 in extents]
    areas = [math.inf if shape.kind == "boundary" else area for shape, area in zip(shapes, areas, strict=True)]
    large = set(sorted(range(len(shapes)), key=lambda i: (-areas[i], i))[:MOST_OUTLINES])
    taken: dict[str, NDArray[np.bool_]] = {}
    for i, (shape, (x0, y0, x1, y1)) in enumerate(zip(shapes, extents, strict=True)):
        if i in large or x1 < 0 or y1 < 0:
            continue
        if shape.kind not in taken:
            taken[shape.kind] = np.zeros((math.ceil(height / SQUARE), math.ceil(width / SQUARE)), dtype=bool)
        left, top = max(int(x0 / SQUARE), 0), max(int(y0 / SQUARE), 0)
        taken[shape.kind][top : max(round(y1 / SQUARE), top + 1), left : max(round(x1 / SQUARE), left + 1)] = True
    squares = [_squares(kind, cells) for kind, cells in taken.items()]
    return [*squares, *(_outline(shape, frame) for i, shape in enumerate(shapes) if i in large)]


def _extent(shape: MapShape, frame: _Frame) -> tuple[float, float, float, float]:
    """Return least and most x and y of an outline in drawing units."""
    lon_deg, lat_deg = zip(*shape.rings[0], strict=True)
    (x0, y0), (x1, y1) = frame.at(min(lon_deg), max(lat_deg)), frame.at(max(lon_deg), min(lat_deg))
    return x0, y0, x1, y1


def _squares(kind: str, cells: NDArray[np.bool_]) -> str:
    """Return the cells of a kind as one path, those beside each other in one rectangle."""
    edges = np.diff(np.pad(cells, ((0, 0), (1, 1))).astype(np.int8), axis=1)
    rows, starts = np.nonzero(edges == 1)
    ends = np.nonzero(edges == -1)[1]
    runs = zip(rows.tolist(), starts.tolist(), ends.tolist(), strict=True)
    steps = "".join(f"M{a * SQUARE:g} {row * SQUARE:g}h{(b - a) * SQUARE:g}v{SQUARE:g}H{a * SQUARE:g}z" for row, a, b in runs)
    return path(steps, title(f"{kind.replace('_', ' ')}, small pieces"), fill=cover_colour(kind), fill_opacity="0.45")


def _outline(shape: MapShape, frame: _Frame) -> str:
    rings = " ".join(track(frame.at(*point) for point in ring) + "z" for ring in shape.rings if ring)
    if shape.kind == "boundary":
        return path(rings, stroke=INK, stroke_width=1.2, stroke_dasharray="9 3 2 3")
    colour = cover_colour(shape.kind)
    if shape.kind == "not_mapped":
        return path(
            rings, title(shape.name), fill=colour, fill_opacity="0.12", fill_rule="evenodd", stroke=colour, stroke_dasharray="2 3"
        )
    look = {"fill_opacity": "0.45", "fill_rule": "evenodd", "stroke": colour, "stroke_width": "0.8"}
    return path(rings, title(shape.name), fill=colour, **look)


def land_signs(plan: Plan) -> list[tuple[str, str]]:
    """Return what the key says of wires, pipes and land that nothing maps: a small drawing, and its words."""
    signs = []
    for hazard, dash, words in (
        ("overhead", "10 3", "overhead wire, not all are mapped"),
        ("buried", "2 5", "buried cable or pipe"),
    ):
        colour = next((wire.colour for wire in plan.wires if wire.hazard == hazard), None)
        if colour is not None:
            signs.append((path("M1 4h32", stroke=colour, stroke_width="1.6", stroke_dasharray=dash), words))
    if any(shape.kind == "not_mapped" for shape in plan.shapes):
        colour = cover_colour("not_mapped")
        look = {"fill_opacity": "0.12", "stroke": colour, "stroke_dasharray": "2 3"}
        signs.append((path("M1 1h32v6h-32z", fill=colour, **look), "not mapped: no file says what stands here"))
    return signs


def land_words(plan: Plan) -> list[str]:
    """Return the same in words, with who must be named for the land, for paper without drawings in its key."""
    looks = {"overhead wire": "Long dashes", "buried cable": "Short dashes", "not mapped": "Grey with a dotted edge"}
    signs = [f"{next(look for start, look in looks.items() if words.startswith(start))}: {words}." for _, words in land_signs(plan)]
    return [*signs, *([f"The land is drawn from: {'; '.join(plan.credits)}."] if plan.credits else [])]


def _wire(wire: MapWire, frame: _Frame) -> str:
    """Return a wire as long dashes, a pipe as short ones, a pole as a dot."""
    dash = "2 5" if wire.hazard == "buried" else "10 3"
    look = {"stroke": wire.colour, "stroke_width": "1.6", "stroke_dasharray": dash}
    drawn = []
    for places in wire.paths:
        points = [frame.at(*place) for place in places]
        if len(points) == 1:
            drawn.append(element("circle", title(wire.words), cx=points[0][0], cy=points[0][1], r=2.5, fill=wire.colour))
        else:
            drawn.append(path(track(points), title(wire.words), **look))
    return "".join(drawn)


def _line(link: Link, places: Mapping[str, tuple[float, float]]) -> str:
    style = VERDICT_STYLES[link.verdict]
    way = track((places[link.a], places[link.b]))
    inner = path(way, stroke=style.colour, stroke_width=2.4, stroke_dasharray=style.dash or None)
    return path(way, stroke="#ffffff", stroke_width=5) + inner


def _way(points: Sequence[tuple[float, float]]) -> str:
    if len(points) < 2:
        return ""
    return path(track(points), stroke=INK, stroke_width=1.8, stroke_dasharray="6 4")


def _devices(
    shown: Iterable[Device],
    places: Mapping[str, tuple[float, float]],
    frame: _Frame,
    width: int,
    height: int,
    numbers: Mapping[str, int],
    *,
    named_only: bool = False,
) -> list[str]:
    frame.taken += [(x - 8, y - 8, x + 8, y + 8) for x, y in places.values()]
    frame.taken += [(0, height - 46, 190, height), (width - 50, 0, width, 70)]
    marks, labels = [], []
    rank = {Role.GATEWAY: 0, Role.RELAY: 1, Role.SENSOR: 2}
    for device in sorted(shown, key=lambda device: rank[device.role]):  # where room is short, gateways keep their names
        x, y = places[device.name]
        fill = "#ffffff" if not device.in_plan or (device.role is Role.SENSOR) else INK
        edge = VERDICT_STYLES["failing"].colour if device.role is Role.SENSOR and not device.served else INK
        marks.append(element("g", role_shape(device.role, 5.5, x, y), fill=fill, stroke=edge, stroke_width=2.2))
        number = numbers.get(device.name)
        if named_only and number is None and device.role is Role.SENSOR:
            continue
        sheet = "" if number is None else f"{number} "
        for words in (f"{sheet}{shortened(device.name, 22)}", f"{sheet}{shortened(device.name, 9)}", sheet.strip()):
            named = _label(words, x, y, frame, width, height) if words else ""
            if named:
                labels.append(named)
                break
    return [*reversed(marks), *labels]


def _label(words: str, x: float, y: float, frame: _Frame, width: int, height: int) -> str:
    """Return a label where it covers nothing: around the sign, else further off with a leader; empty if there is no room."""
    wide = LETTER * len(words) + 4
    near = (
        *((x + 11, y + 4, "start"), (x - 11, y + 4, "end"), (x, y - 12, "middle"), (x, y + 20, "middle")),
        *((x + 9, y - 8, "start"), (x - 9, y - 8, "end"), (x + 9, y + 17, "start"), (x - 9, y + 17, "end")),
    )
    far = (
        *((x, y + 38, "middle"), (x, y - 32, "middle"), (x - 22, y + 32, "end"), (x + 22, y + 32, "start")),
        *((x - 22, y - 24, "end"), (x + 22, y - 24, "start")),
    )
    for place, (spot_x, base, anchor) in enumerate((*near, *far)):
        left = {"start": spot_x, "end": spot_x - wide, "middle": spot_x - wide / 2}[anchor]
        box = (left, base - 10, left + wide, base + 3)
        inside = box[0] > 3 and box[1] > 3 and box[2] < width - 3 and box[3] < height - 3
        if inside and not any(_overlap(box, other) for other in frame.taken):
            frame.taken.append(box)
            tip = base - 9 if base > y else base + 3
            leader = path(track(((x, y), (spot_x, tip))), stroke=INK, stroke_width=0.7) if place >= len(near) else ""
            halo = {"stroke": "#ffffff", "stroke_width": "3.2", "stroke_linejoin": "round", "paint_order": "stroke"}
            return leader + label(spot_x, base, words, text_anchor=anchor, **halo)
    return ""


def _overlap(one: tuple[float, float, float, float], other: tuple[float, float, float, float]) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def _scale_bar(frame: _Frame, height: int) -> str:
    length_m = nice_step(150.0 / frame.units_per_m, 1)
    if length_m * frame.units_per_m > 170.0:
        length_m /= 2
    long, y = length_m * frame.units_per_m, height - 16
    return (
        box(14, y - 5, long / 2, 5, fill=INK, stroke=INK, stroke_width=0.8)
        + box(14 + long / 2, y - 5, long / 2, 5, fill="#ffffff", stroke=INK, stroke_width=0.8)
        + label(14, y - 10, "0")
        + label(14 + long, y - 10, metres(length_m), text_anchor="middle")
    )


def _north(width: int) -> str:
    x = width - 24
    dark, light = path(f"M{x} 16l7 26l-7 -6z", fill=None), path(f"M{x} 16l-7 26l7 -6z", fill="#ffffff")
    arrow = element("g", dark, light, fill=INK, stroke=INK, stroke_width=1)
    return arrow + label(x, 56, "N", text_anchor="middle", font_size=12)
