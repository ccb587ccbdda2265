"""The land between two antennas as a drawing for paper (SVG).

Ground is lifted by the Earth's bulge so that the ray is a straight line; the first Fresnel zone lies half transparent over the
ground, so that one sees what stands in it.
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
from meshplan.reporting.svg import INK, box, circle, element, head, label, nice_step, notice, path, points
from meshplan.reporting.words import metres, number, shortened, text

Array = NDArray[np.float64]

GROUND_FILL: Final = "#d8ccb4"
GROUND_EDGE: Final = "#5a4a33"
COVER_EDGE: Final = "#2f3a26"
ZONE_FILL: Final = "#2f6f9f"

NO_SECTION_BELOW_M: Final = 0.5
"""Nearer than this both antennas stand at one place and no land lies between them."""

LEFT, RIGHT, TOP, BOTTOM = 56, 18, 42, 62
MOST_SAMPLES: Final = 420


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
        return points((self.x(a), self.y(h)) for a, h in zip(along_m, height_m, strict=True))

    @property
    def exaggeration(self) -> float:
        """How many times taller than long the drawing shows the land."""
        per_metre_up = (self.height - TOP - self.bottom) / (self.high_m - self.low_m)
        return per_metre_up / ((self.width - LEFT - RIGHT) / float(self.along_m[-1]))


def profile_svg(link: Link, plan: Plan | None = None, *, width: int = 720, height: int = 300, legend: bool = True) -> str:
    """Return the profile of a link as one SVG element; a link without a profile gets a drawing that says so."""
    words = f"Profile from {link.a} to {link.b}"
    start = (
        f"{head(width, height, words, aria_label=f'{words}. {link.clearance.sentence}')}"
        f"{element('desc', text(f'{link.clearance.sentence} {link.sentence}'))}{box(0, 0, width, height, fill='#ffffff')}"
    )
    at_one_place = link.distance_m < NO_SECTION_BELOW_M
    if link.profile is None or at_one_place or len(link.profile.ground_amsl_m) < 2 or not link.profile.step_m > 0.0:
        missing = "No profile was kept for this link."
        if at_one_place or link.profile is not None:
            missing = "Both antennas stand at one place: there is no section."
        return f"{start}{notice(width, height, missing)}</svg>"
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
    return start + "".join(parts) + "</svg>"


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


def _axes(scene: _Scene) -> list[str]:
    base, right = scene.height - scene.bottom, scene.width - RIGHT
    parts = [f'<g stroke="{INK}" stroke-width="0.6">']
    step = nice_step(scene.high_m - scene.low_m, 5)
    heights = np.arange(math.ceil(scene.low_m / step), math.floor(scene.high_m / step) + 1) * step
    total = float(scene.along_m[-1])
    reach = nice_step(total, 7 if scene.width >= 600 else 5)
    places = np.arange(0, math.floor(total / reach + 1e-9) + 1) * reach
    dotted = {"stroke": "#b9b2a3", "stroke_width": "0.5", "stroke_dasharray": "1 3", "fill": "none"}
    parts += [element("path", d=f"M{LEFT} {scene.y(h):.1f}H{right}", **dotted) for h in heights]
    parts.append(path(f"M{LEFT} {TOP}V{base}H{right}"))
    parts += [path(f"M{scene.x(p):.1f} {base}v4") for p in places]
    parts.append("</g>")
    decimals = 1 if step < 1 else 0
    parts += [label(LEFT - 5, scene.y(h) + 3.5, number(float(h), decimals), text_anchor="end") for h in heights]
    kilometres = total >= 5000
    parts += [
        label(scene.x(p), base + 15, number(float(p) / 1000, 1) if kilometres else number(float(p)), text_anchor="middle")
        for p in places
    ]
    times = number(scene.exaggeration, 0 if scene.exaggeration >= 10 else 1)
    scale = f"heights drawn {times} times taller than lengths" if scene.width >= 600 else f"heights {times} times taller"
    middle = (TOP + base) / 2
    return [
        *parts,
        label(right, base + 28, f"{'km' if kilometres else 'metres'} along the path; {scale}", text_anchor="end"),
        label(13, middle, "metres above sea level", text_anchor="middle", transform=f"rotate(-90 13 {middle:.1f})"),
    ]


def _ground(scene: _Scene) -> list[str]:
    base = scene.height - scene.bottom
    line = scene.points(scene.along_m, scene.ground_m)
    first, last = scene.x(0.0), scene.x(float(scene.along_m[-1]))
    return [
        element("polygon", points=f"{first:.1f},{base} {line} {last:.1f},{base}", fill=GROUND_FILL, stroke="none"),
        element("polyline", points=line, fill="none", stroke=GROUND_EDGE, stroke_width=1.2),
    ]


def _cover(scene: _Scene, names: tuple[str, ...]) -> list[str]:
    """Draw each stretch of cover as a filled block with upright strokes, which also read without colour."""
    parts = []
    for first, last in _stretches(scene):
        colour = cover_colour(_kind_name(int(scene.kinds[first]), names))
        along, ground = scene.along_m[first : last + 1], scene.ground_m[first : last + 1]
        top = ground + scene.cover_m[first : last + 1]
        outline = f"{scene.points(along, top)} {scene.points(along[::-1], ground[::-1])}"
        parts.append(element("polygon", points=outline, fill=colour, stroke=COVER_EDGE, stroke_width=0.7))
        every = max(1, round((last - first) / max(1.0, (scene.x(along[-1]) - scene.x(along[0])) / 5)))
        strokes = "".join(
            f"M{scene.x(along[i]):.1f} {scene.y(ground[i]):.1f}V{scene.y(top[i]):.1f}" for i in range(0, len(along), every)
        )
        parts.append(path(strokes, stroke=COVER_EDGE, stroke_width=0.5))
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
        element("polygon", points=f"{upper} {lower}", fill=ZONE_FILL, fill_opacity="0.22", stroke=ZONE_FILL, stroke_width=0.8),
        element("polyline", points=needed, fill="none", stroke=INK, stroke_width=1.1, stroke_dasharray="5 3"),
        element("polyline", points=f"{first} {last}", fill="none", stroke=INK, stroke_width=1.3),
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
            path(f"M{x:.1f} {foot:.1f}V{tip:.1f}", stroke=INK, stroke_width=3),
            circle(x, tip, 3.4, fill="#ffffff", stroke=INK, stroke_width=1.6),
            label(x, 16, shortened(name, scene.width // 20), text_anchor=anchor, font_size=13, font_weight="bold"),
            label(x, 30, f"antenna {metres(agl_m)} {above}", text_anchor=anchor),
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
    words = clearance_label(link.clearance.kind, link.clearance.clearance_m)
    half = 3.3 * len(words)
    middle = min(max(x, LEFT + half + 4), scene.width - RIGHT - half - 4)
    blocked = link.clearance.first_fresnel_share < 0
    below = max(y - 8.0, TOP + 12.0) if blocked else y + 27.0
    if below > scene.height - scene.bottom - 4:  # no room under the triangle: beside it
        below = min(y + 10.0, scene.height - scene.bottom - 4.0)
        to_right = x + half + 10 < scene.width - RIGHT - half
        middle = x + half + 10 if to_right else x - half - 10
    fill = VERDICT_STYLES["failing"].colour if blocked else INK
    foot = points([(x, y), (x - 5, y + 10), (x + 5, y + 10)])
    return [
        path(f"M{x:.1f} {y:.1f}V{ray:.1f}", stroke=fill, stroke_width=1.2),
        element("polygon", points=foot, fill=fill, stroke="#ffffff", stroke_width=0.8),
        box(middle - half, below - 11, 2 * half, 15, fill="#ffffff", fill_opacity="0.88", stroke=fill, stroke_width=0.6),
        label(middle, below, words, text_anchor="middle", fill=fill, font_weight="bold"),
    ]


def _legend(scene: _Scene, names: tuple[str, ...]) -> list[str]:
    """Explain each line and colour once, in a row under the axis."""
    y = scene.height - 14
    present = list(dict.fromkeys(int(scene.kinds[first]) for first, _ in _stretches(scene)))
    blocks = [(GROUND_FILL, 1.0, "ground"), (ZONE_FILL, 0.3, "space the radio wave needs (first Fresnel zone)")]
    blocks[1:1] = [(cover_colour(_kind_name(kind, names)), 1.0, _kind_name(kind, names)) for kind in present]
    parts, x = [], float(LEFT)
    for colour, opacity, word in blocks:
        parts.append(box(x, y - 8, 14, 9, fill=colour, fill_opacity=f"{opacity:g}", stroke=INK, stroke_width=0.5))
        parts.append(label(x + 18, y, word, font_size=10))
        x += 30 + 5.2 * len(word)
    parts.append(path(f"M{x:.1f} {y - 3.5}h20", stroke=INK, stroke_width=1.1, stroke_dasharray="5 3"))
    return [*parts, label(x + 24, y, f"keep free above this ({100.0 * CLEAR_SHARE:.0f} % of it)", font_size=10)]


def _kind_name(kind: int, names: tuple[str, ...]) -> str:
    return names[kind] if 0 <= kind < len(names) else "cover"
