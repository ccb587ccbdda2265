"""A small map of the whole plan for the cover: outlines, links, devices, north arrow, scale bar."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from meshplan.records import Device, Link, MapShape, Plan, Role
from meshplan.reporting.map.palette import VERDICT_STYLES, cover_colour
from meshplan.reporting.paper import role_shape
from meshplan.reporting.profile_chart import FONT, INK, nice_step
from meshplan.reporting.words import metres, shortened, text

_DEGREE_M: Final = 111_320.0
"""Metres a degree of latitude, good enough for a drawing."""

EDGE: Final = 34.0
LETTER: Final = 5.9
"""Mean width of a letter of a label, in drawing units."""


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
    """Return the plan as a map in one SVG element, presentation attributes only.

    `numbers` are the sheets of devices. With a `way` on foot (longitude, latitude) it is drawn in place of the links, and only
    the numbered devices and the gateways and relays have names.
    """
    shown = [device for device in plan.devices if device.in_plan or device.name in (numbers or {})]
    frame = _frame(plan, shown, width, height)
    words = f"Map of {plan.property_name}"
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
        f'role="img" aria-label="{text(words)}" font-family="{FONT}" font-size="11" fill="{INK}">'
        f"<title>{text(words)}</title>"
        f'<rect x="0.5" y="0.5" width="{width - 1}" height="{height - 1}" fill="#ffffff" stroke="{INK}"/>'
    )
    if frame is None:
        return f'{head}<text x="{width / 2:g}" y="{height / 2:g}" text-anchor="middle">No devices to show.</text></svg>'
    places = {device.name: frame.at(device.lon_deg, device.lat_deg) for device in shown}
    parts = (
        *(_outline(shape, frame) for shape in _back_to_front(plan.shapes)),
        *(_line(link, places) for link in plan.chosen_links if not way and link.a in places and link.b in places),
        _way([frame.at(*point) for point in way]),
        *_devices(shown, places, frame, width, height, numbers or {}, named_only=bool(way)),
        _scale_bar(frame, height),
        _north(width),
    )
    return f"{head}{''.join(parts)}</svg>"


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
    rank = {"boundary": 2, "building": 1}
    return sorted(shapes, key=lambda shape: rank.get(shape.kind, 0))


def _outline(shape: MapShape, frame: _Frame) -> str:
    rings = " ".join(
        "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in (frame.at(*point) for point in ring)) + "z" for ring in shape.rings if ring
    )
    if shape.kind == "boundary":
        return f'<path d="{rings}" fill="none" stroke="{INK}" stroke-width="1.2" stroke-dasharray="9 3 2 3"/>'
    colour = cover_colour(shape.kind)
    return (
        f'<path d="{rings}" fill="{colour}" fill-opacity="0.45" fill-rule="evenodd" stroke="{colour}" stroke-width="0.8">'
        f"<title>{text(shape.name)}</title></path>"
    )


def _line(link: Link, places: Mapping[str, tuple[float, float]]) -> str:
    style = VERDICT_STYLES[link.verdict]
    (x0, y0), (x1, y1) = places[link.a], places[link.b]
    way = f"M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}"
    dash = f' stroke-dasharray="{style.dash}"' if style.dash else ""
    return (
        f'<path d="{way}" fill="none" stroke="#ffffff" stroke-width="5"/>'
        f'<path d="{way}" fill="none" stroke="{style.colour}" stroke-width="2.4"{dash}/>'
    )


def _way(points: Sequence[tuple[float, float]]) -> str:
    if len(points) < 2:
        return ""
    path = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
    return f'<path d="{path}" fill="none" stroke="{INK}" stroke-width="1.8" stroke-dasharray="6 4"/>'


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
        marks.append(f'<g fill="{fill}" stroke="{edge}" stroke-width="2.2">{role_shape(device.role, 5.5, x, y)}</g>')
        number = numbers.get(device.name)
        if named_only and number is None and device.role is Role.SENSOR:
            continue
        head = "" if number is None else f"{number} "
        for words in (f"{head}{shortened(device.name, 22)}", f"{head}{shortened(device.name, 9)}", head.strip()):
            label = _label(words, x, y, frame, width, height) if words else ""
            if label:
                labels.append(label)
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
            leader = f'<path d="M{x:.1f} {y:.1f}L{spot_x:.1f} {tip:.1f}" fill="none" stroke="{INK}" stroke-width="0.7"/>'
            return (
                f'{leader if place >= len(near) else ""}<text x="{spot_x:.1f}" y="{base:.1f}" text-anchor="{anchor}" '
                f'stroke="#ffffff" stroke-width="3.2" stroke-linejoin="round" paint-order="stroke">{text(words)}</text>'
            )
    return ""


def _overlap(one: tuple[float, float, float, float], other: tuple[float, float, float, float]) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def _scale_bar(frame: _Frame, height: int) -> str:
    length_m = nice_step(150.0 / frame.units_per_m, 1)
    if length_m * frame.units_per_m > 170.0:
        length_m /= 2
    long, y = length_m * frame.units_per_m, height - 16
    return (
        f'<rect x="14" y="{y - 5}" width="{long / 2:.1f}" height="5" fill="{INK}" stroke="{INK}" stroke-width="0.8"/>'
        f'<rect x="{14 + long / 2:.1f}" y="{y - 5}" width="{long / 2:.1f}" height="5" fill="#ffffff" stroke="{INK}" '
        f'stroke-width="0.8"/><text x="14" y="{y - 10}">0</text>'
        f'<text x="{14 + long:.1f}" y="{y - 10}" text-anchor="middle">{metres(length_m)}</text>'
    )


def _north(width: int) -> str:
    x = width - 24
    return (
        f'<g fill="{INK}" stroke="{INK}" stroke-width="1"><path d="M{x} 16l7 26l-7 -6z"/>'
        f'<path d="M{x} 16l-7 26l7 -6z" fill="#ffffff"/></g><text x="{x}" y="56" text-anchor="middle" font-size="12">N</text>'
    )
