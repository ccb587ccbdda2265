"""The land between two antennas as a drawing for paper (SVG).

Presentation attributes only, no style sheet, so that browsers and every PDF writer show the same. Ground is lifted by the
Earth's bulge so that the ray is a straight line; the first Fresnel zone lies half transparent over the ground, so that one
sees what stands in it.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from meshplan.explain.obstacles import CLEAR_SHARE, clearance_label
from meshplan.propagation.fresnel import fresnel_radius_m
from meshplan.propagation.refraction import earth_bulge_m
from meshplan.records import Link, Plan
from meshplan.reporting.files import write_text_atomically
from meshplan.reporting.map.palette import VERDICT_STYLES, cover_colour
from meshplan.reporting.words import metres, number, shortened, text

Array = NDArray[np.float64]

INK: Final = "#23211c"
GROUND_FILL: Final = "#d8ccb4"
GROUND_EDGE: Final = "#5a4a33"
ZONE_FILL: Final = "#2f6f9f"

NO_SECTION_BELOW_M: Final = 0.5
"""Nearer than this both antennas stand at one place and no land lies between them."""

LEFT, RIGHT, TOP, BOTTOM = 56, 18, 42, 62
MOST_SAMPLES: Final = 420
FONT: Final = "Helvetica, Arial, 'Liberation Sans', 'DejaVu Sans', sans-serif"


@dataclass(frozen=True)
class _Scene:
    """All heights along the path, in metres above the chord through sea level, and the scale of the drawing."""

    along_m: Array
    ground_m: Array
    cover_m: Array
    kinds: NDArray[np.int_]
    ray_m: Array
    frequency_mhz: float
    low_m: float
    high_m: float
    width: int
    height: int
    bottom: int

    def x(self, along_m: float) -> float:
        return LEFT + (self.width - LEFT - RIGHT) * along_m / float(self.along_m[-1])

    def y(self, height_m: float) -> float:
        return TOP + (self.height - TOP - self.bottom) * (self.high_m - height_m) / (self.high_m - self.low_m)

    def points(self, along_m: Array, height_m: Array) -> str:
        return " ".join(f"{self.x(a):.1f},{self.y(h):.1f}" for a, h in zip(along_m, height_m, strict=True))

    @property
    def exaggeration(self) -> float:
        """How many times taller than long the drawing shows the land."""
        per_metre_up = (self.height - TOP - self.bottom) / (self.high_m - self.low_m)
        return per_metre_up / ((self.width - LEFT - RIGHT) / float(self.along_m[-1]))


def profile_svg(link: Link, plan: Plan | None = None, *, width: int = 720, height: int = 300, legend: bool = True) -> str:
    """Return the profile of a link as one SVG element; a link without a profile gets a drawing that says so."""
    words = f"Profile from {link.a} to {link.b}"
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
        f'role="img" aria-label="{text(f"{words}. {link.clearance.sentence}")}" font-family="{FONT}" font-size="11" '
        f'fill="{INK}"><title>{text(words)}</title><desc>{text(f"{link.clearance.sentence} {link.sentence}")}</desc>'
        f'<rect x="0" y="0" width="{width}" height="{height}" fill="#ffffff"/>'
    )
    at_one_place = link.distance_m < NO_SECTION_BELOW_M
    if link.profile is None or at_one_place or len(link.profile.ground_amsl_m) < 2 or not link.profile.step_m > 0.0:
        missing = "No profile was kept for this link."
        if at_one_place or link.profile is not None:
            missing = "Both antennas stand at one place: there is no section."
        note = f'<text x="{width / 2:g}" y="{height / 2:g}" text-anchor="middle">{missing}</text>'
        return f"{head}{note}</svg>"
    scene = _scene(link, width, height, BOTTOM if legend else BOTTOM - 24)
    parts = (
        *_axes(scene),
        *_ground(scene),
        *_cover(scene, plan.cover_kinds if plan else ()),
        *_zone(scene),
        *_masts(scene, link),
        *_tightest(scene, link),
        *(_legend(scene, plan.cover_kinds if plan else ()) if legend else ()),
    )
    return head + "".join(parts) + "</svg>"


def write_profile_svg(link: Link, plan: Plan | None, path: Path) -> Path:
    """Write the drawing of one link to a file."""
    return write_text_atomically(path, profile_svg(link, plan) + "\n")


def _scene(link: Link, width: int, height: int, bottom: int) -> _Scene:
    profile = link.profile
    assert profile is not None
    ground: Array = np.asarray(profile.ground_amsl_m, dtype=np.float64)
    cover: Array = np.asarray(profile.cover_m, dtype=np.float64)
    along: Array = np.arange(len(ground), dtype=np.float64) * profile.step_m
    start, end = ground[0] + link.antenna_a_agl_m, ground[-1] + link.antenna_b_agl_m
    kept = _kept_samples(ground + cover, link.clearance.at_m / profile.step_m)
    along, ground, cover = along[kept], ground[kept], cover[kept]
    kinds = np.asarray(profile.cover_kind, dtype=int)[kept]
    total = float(along[-1])
    ground += earth_bulge_m(along, total, profile.effective_earth_radius_km)
    ray: Array = np.asarray(start + (end - start) * along / total, dtype=np.float64)
    zone = fresnel_radius_m(1, along, total - along, link.frequency_mhz)
    low, high = float(np.nanmin(ground)), float(max(np.nanmax(ray + zone), np.nanmax(ground + cover)))
    room = max(high - low, 4.0)
    return _Scene(along, ground, cover, kinds, ray, link.frequency_mhz, low - 0.16 * room, high + 0.1 * room, width, height, bottom)


def _kept_samples(top_m: Array, tightest: float) -> NDArray[np.int_]:
    """Return the samples to draw: all of a short path; of a long one the tallest of each stretch, the ends, the tightest."""
    n = len(top_m)
    if n <= MOST_SAMPLES:
        return np.arange(n)
    edges = np.linspace(0, n, MOST_SAMPLES + 1).astype(int)
    tops = [int(a + np.nanargmax(top_m[a:b])) for a, b in itertools.pairwise(edges) if b > a]
    wanted = {0, n - 1, *tops}
    if math.isfinite(tightest):
        wanted.add(min(max(round(tightest), 0), n - 1))
    return np.array(sorted(wanted))


def nice_step(span: float, most: int) -> float:
    """Return a tick step of 1, 2 or 5 times a power of ten that gives at most that many steps."""
    rough = span / most
    power = 10.0 ** math.floor(math.log10(rough))
    return next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= rough * (1 - 1e-9))


def _axes(scene: _Scene) -> list[str]:
    base, right = scene.height - scene.bottom, scene.width - RIGHT
    parts = [f'<g stroke="{INK}" stroke-width="0.6">']
    step = nice_step(scene.high_m - scene.low_m, 5)
    heights = np.arange(math.ceil(scene.low_m / step), math.floor(scene.high_m / step) + 1) * step
    total = float(scene.along_m[-1])
    reach = nice_step(total, 7 if scene.width >= 600 else 5)
    places = np.arange(0, math.floor(total / reach + 1e-9) + 1) * reach
    parts += [
        f'<path d="M{LEFT} {scene.y(h):.1f}H{right}" stroke="#b9b2a3" stroke-width="0.5" stroke-dasharray="1 3" fill="none"/>'
        for h in heights
    ]
    parts.append(f'<path d="M{LEFT} {TOP}V{base}H{right}" fill="none"/>')
    parts += [f'<path d="M{scene.x(p):.1f} {base}v4" fill="none"/>' for p in places]
    parts.append("</g>")
    decimals = 1 if step < 1 else 0
    parts += [
        f'<text x="{LEFT - 5}" y="{scene.y(h) + 3.5:.1f}" text-anchor="end">{number(float(h), decimals)}</text>' for h in heights
    ]
    kilometres = total >= 5000
    parts += [
        f'<text x="{scene.x(p):.1f}" y="{base + 15}" text-anchor="middle">'
        f"{number(float(p) / 1000, 1) if kilometres else number(float(p))}</text>"
        for p in places
    ]
    times = number(scene.exaggeration, 0 if scene.exaggeration >= 10 else 1)
    scale = f"heights drawn {times} times taller than lengths" if scene.width >= 600 else f"heights {times} times taller"
    parts.append(
        f'<text x="{right}" y="{base + 28}" text-anchor="end">{"km" if kilometres else "metres"} along the path; {scale}</text>'
    )
    parts.append(
        f'<text x="13" y="{(TOP + base) / 2:.1f}" text-anchor="middle" '
        f'transform="rotate(-90 13 {(TOP + base) / 2:.1f})">metres above sea level</text>'
    )
    return parts


def _ground(scene: _Scene) -> list[str]:
    base = scene.height - scene.bottom
    line = scene.points(scene.along_m, scene.ground_m)
    first, last = scene.x(0.0), scene.x(float(scene.along_m[-1]))
    return [
        f'<polygon points="{first:.1f},{base} {line} {last:.1f},{base}" fill="{GROUND_FILL}" stroke="none"/>',
        f'<polyline points="{line}" fill="none" stroke="{GROUND_EDGE}" stroke-width="1.2"/>',
    ]


def _cover(scene: _Scene, names: tuple[str, ...]) -> list[str]:
    """Draw each stretch of cover as a filled block with upright strokes, which also read without colour."""
    parts = []
    for first, last in _stretches(scene):
        colour = cover_colour(_kind_name(int(scene.kinds[first]), names))
        along, ground = scene.along_m[first : last + 1], scene.ground_m[first : last + 1]
        top = ground + scene.cover_m[first : last + 1]
        outline = f"{scene.points(along, top)} {scene.points(along[::-1], ground[::-1])}"
        parts.append(f'<polygon points="{outline}" fill="{colour}" stroke="#2f3a26" stroke-width="0.7"/>')
        every = max(1, round((last - first) / max(1.0, (scene.x(along[-1]) - scene.x(along[0])) / 5)))
        strokes = "".join(
            f"M{scene.x(along[i]):.1f} {scene.y(ground[i]):.1f}V{scene.y(top[i]):.1f}" for i in range(0, len(along), every)
        )
        parts.append(f'<path d="{strokes}" fill="none" stroke="#2f3a26" stroke-width="0.5"/>')
    return parts


def _stretches(scene: _Scene) -> list[tuple[int, int]]:
    """Return first and last sample of each run of one kind of cover."""
    runs: list[tuple[int, int]] = []
    covered = (scene.cover_m > 0) & (scene.kinds > 0)
    for i in np.flatnonzero(covered):
        if runs and runs[-1][1] == i - 1 and scene.kinds[i] == scene.kinds[i - 1]:
            runs[-1] = (runs[-1][0], int(i))
        else:
            runs.append((int(i), int(i)))
    return runs


def _zone(scene: _Scene) -> list[str]:
    """Draw the first Fresnel zone, the line below which it may be filled, and the ray."""
    total = float(scene.along_m[-1])
    along = total * (1 - np.cos(np.linspace(0, np.pi, 97))) / 2  # closer together at the ends, where the zone is round
    ray = np.interp(along, scene.along_m[[0, -1]], scene.ray_m[[0, -1]])
    zone = fresnel_radius_m(1, along, total - along, scene.frequency_mhz)
    upper = scene.points(along, ray + zone)
    lower = scene.points(along[::-1], np.maximum(ray - zone, scene.low_m)[::-1])
    needed = scene.points(along, np.maximum(ray - CLEAR_SHARE * zone, scene.low_m))
    first, last = scene.points(along[:1], ray[:1]), scene.points(along[-1:], ray[-1:])
    return [
        f'<polygon points="{upper} {lower}" fill="{ZONE_FILL}" fill-opacity="0.22" stroke="{ZONE_FILL}" stroke-width="0.8"/>',
        f'<polyline points="{needed}" fill="none" stroke="{INK}" stroke-width="1.1" stroke-dasharray="5 3"/>',
        f'<polyline points="{first} {last}" fill="none" stroke="{INK}" stroke-width="1.3"/>',
    ]


def _masts(scene: _Scene, link: Link) -> list[str]:
    parts = []
    above = "above ground" if scene.width >= 600 else "up"
    for place, name, agl_m, anchor in (
        (0, link.a, link.antenna_a_agl_m, "start"),
        (-1, link.b, link.antenna_b_agl_m, "end"),
    ):
        x, foot = scene.x(float(scene.along_m[place])), scene.y(float(scene.ground_m[place]))
        tip = scene.y(float(scene.ray_m[place]))
        parts += [
            f'<path d="M{x:.1f} {foot:.1f}V{tip:.1f}" fill="none" stroke="{INK}" stroke-width="3"/>',
            f'<circle cx="{x:.1f}" cy="{tip:.1f}" r="3.4" fill="#ffffff" stroke="{INK}" stroke-width="1.6"/>',
            f'<text x="{x:.1f}" y="16" text-anchor="{anchor}" font-size="13" font-weight="bold">'
            f"{text(shortened(name, scene.width // 20))}</text>",
            f'<text x="{x:.1f}" y="30" text-anchor="{anchor}">antenna {metres(agl_m)} {above}</text>',
        ]
    return parts


def _tightest(scene: _Scene, link: Link) -> list[str]:
    """Mark the tightest point with a triangle and its clearance in metres; percent would explode near the ends."""
    at_m = link.clearance.at_m
    if not (math.isfinite(at_m) and math.isfinite(link.clearance.clearance_m)):
        return []
    x = scene.x(at_m)
    y = scene.y(float(np.interp(at_m, scene.along_m, scene.ground_m + scene.cover_m)))
    ray = scene.y(float(np.interp(at_m, scene.along_m, scene.ray_m)))
    label = clearance_label(link.clearance.kind, link.clearance.clearance_m)
    half = 3.3 * len(label)
    middle = min(max(x, LEFT + half + 4), scene.width - RIGHT - half - 4)
    blocked = link.clearance.first_fresnel_share < 0
    below = max(y - 8.0, TOP + 12.0) if blocked else y + 27.0
    if below > scene.height - scene.bottom - 4:  # no room under the triangle: beside it
        below = min(y + 10.0, scene.height - scene.bottom - 4.0)
        to_right = x + half + 10 < scene.width - RIGHT - half
        middle = x + half + 10 if to_right else x - half - 10
    fill = VERDICT_STYLES["failing"].colour if blocked else INK
    return [
        f'<path d="M{x:.1f} {y:.1f}V{ray:.1f}" fill="none" stroke="{fill}" stroke-width="1.2"/>',
        f'<polygon points="{x:.1f},{y:.1f} {x - 5:.1f},{y + 10:.1f} {x + 5:.1f},{y + 10:.1f}" fill="{fill}" '
        f'stroke="#ffffff" stroke-width="0.8"/>',
        f'<rect x="{middle - half:.1f}" y="{below - 11:.1f}" width="{2 * half:.1f}" height="15" fill="#ffffff" '
        f'fill-opacity="0.88" stroke="{fill}" stroke-width="0.6"/>',
        f'<text x="{middle:.1f}" y="{below:.1f}" text-anchor="middle" fill="{fill}" font-weight="bold">{label}</text>',
    ]


def _legend(scene: _Scene, names: tuple[str, ...]) -> list[str]:
    """Explain each line and colour once, in a row under the axis."""
    y = scene.height - 14
    present = list(dict.fromkeys(int(scene.kinds[first]) for first, _ in _stretches(scene)))
    blocks = [(GROUND_FILL, 1.0, "ground"), (ZONE_FILL, 0.3, "space the radio wave needs (first Fresnel zone)")]
    blocks[1:1] = [(cover_colour(_kind_name(kind, names)), 1.0, _kind_name(kind, names)) for kind in present]
    parts, x = [], float(LEFT)
    for colour, opacity, word in blocks:
        parts.append(
            f'<rect x="{x:.1f}" y="{y - 8}" width="14" height="9" fill="{colour}" fill-opacity="{opacity:g}" '
            f'stroke="{INK}" stroke-width="0.5"/><text x="{x + 18:.1f}" y="{y}" font-size="10">{text(word)}</text>'
        )
        x += 30 + 5.2 * len(word)
    parts.append(
        f'<path d="M{x:.1f} {y - 3.5}h20" fill="none" stroke="{INK}" stroke-width="1.1" stroke-dasharray="5 3"/>'
        f'<text x="{x + 24:.1f}" y="{y}" font-size="10">keep free above this ({CLEAR_SHARE:.0%} of it)</text>'
    )
    return parts


def _kind_name(kind: int, names: tuple[str, ...]) -> str:
    return names[kind] if 0 <= kind < len(names) else "cover"
