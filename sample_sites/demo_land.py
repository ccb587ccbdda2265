"""The land of the three demo properties: the landform that each story needs, and the land made of it.

`…_story` is the landform that the story was written with, a formula on the local grid (x east, y north, metres): a rise between two
places, a gully, terraces. `…_land` gives the heights of the raster: the same large forms, with valleys that drain, streams, spurs
and slopes of several scales. Where sites stand, and at the points that decide a link of the story (`…_KEPT`), its ground is that of
the story to within 0.2 m; elsewhere it goes its own way. (Kept along whole links, the ruled landform would come back as a fan of
strips.) All figures are invented, chosen by eye.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from natural_land import (
    STRAY,
    Array,
    away_from,
    axes,
    course,
    drained_cells,
    ease,
    eroded,
    filled,
    finer,
    noise,
    octaves,
    pinned,
    settled,
)

Box = tuple[float, float, float, float]
Places = Sequence[tuple[float, float]]


def ossaby_story(x: Array, y: Array) -> Array:
    """Return an 18 % slope with terrace lips every 25 m and a gully at x = 210."""
    return 180 + 0.18 * y + 0.8 * np.sin(2 * np.pi * y / 25) - 6 * np.exp(-(((x - 210) / 25) ** 2))


def mirrowick_story(x: Array, y: Array) -> Array:
    """Return a valley with a stream along y = 600 and a ridge along y = 1150, with a saddle at x = 1500."""
    ridge = 48 * np.exp(-(((y - 1150) / 120) ** 2)) * (1 - 0.45 * np.exp(-(((x - 1500) / 180) ** 2)))
    return 95 + 0.012 * np.abs(y - 600) + ridge + 6 * np.sin(x / 260) * np.exp(-(((y - 1650) / 300) ** 2))


def pellimoor_story(x: Array, y: Array) -> Array:
    """Return nearly flat land."""
    return 42 + 0.0008 * x + 0.4 * np.sin(x / 190) * np.cos(y / 230)


OSSABY_KEPT = ((193.0, 205.0), (199.0, 193.0), (201.0, 96.0), (206.0, 80.0))
"""The edge of the gully over which the chimney sees the pond and the pump."""

CREST = (
    (-900, 1120), (-600, 1235), (-300, 1165), (-60, 1235), (200, 1190), (443, 1212), (620, 1160), (820, 1150), (960, 1157),
    (1090, 1162),
    (1210, 1156), (1330, 1152), (1500, 1150), (1650, 1172), (1800, 1212), (1920, 1190), (2050, 1150), (2230, 1120),
    (2450, 1180), (2700, 1250),
    (3000, 1200), (3300, 1260),
)  # fmt: skip
"""Where the ridge is highest. It bends, and keeps to y = 1150 at the posts and beside the saddle gate."""

MIRROWICK_CREST_KEPT = ((712.0, 1152.0, 149.7), (806.0, 1150.0, 149.6), (440.0, 1212.0, 149.9), (1210.0, 1156.0, 147.6))
"""The crest where the roof's paths to B11, B12, B15, B16 and B17 meet it: as high as the story's on the same paths."""

MIRROWICK_KEPT = ((1290.0, 1150.0), (1360.0, 1150.0), (1424.0, 1101.0), (1468.0, 1129.0))
"""The shoulder between the ridge post and the saddle gate, and the slope over which the roof sees that gate."""


def heights_at(story: Callable[[Array, Array], Array], places: Places) -> list[tuple[float, float, float]]:
    """Return places, each once, with their heights in a story."""
    return [(x, y, round(float(story(np.array(x), np.array(y))), 4)) for x, y in dict.fromkeys(places)]


def padded(box_m: Box, by_m: float) -> Box:
    """Return a box with room around it."""
    west, south, east, north = box_m
    return west - by_m, south - by_m, east + by_m, north + by_m


def runnels(form: Array, depth_m: float, least: float, most: float) -> Array:
    """Return how far the beds of side streams lie below the land: deeper with the root of the cells that drain through."""
    return depth_m * ease(np.sqrt(drained_cells(filled(form, 1e-4), STRAY).astype(float)), least, most)


def mirrowick_land(box_m: Box, cell_m: float, places: Places) -> Array:
    """Return the valley farm: a ridge with spurs and hollows, a slow stream in its plain, a brook behind the ridge."""
    coarse_m, pad_m = 10.0, 300.0
    x, y = axes(padded(box_m, pad_m), coarse_m)
    X, Y = np.meshgrid(x, y)
    kept = [*heights_at(mirrowick_story, [*places, *MIRROWICK_KEPT]), *MIRROWICK_CREST_KEPT]
    stream = course(STREAM, 4.0)
    brook = course(BROOK, 6.0)
    to_stream, _ = away_from(stream, x, y, 900.0)
    to_stream = np.where(to_stream < 900.0, to_stream, np.abs(Y - 600))
    line = course([(*point, 0.0) for point in CREST], 10.0)
    crest = np.interp(X, line[:, 0], line[:, 1])
    bent = X + 60 * noise(X, Y, 260.0, 30)
    half = np.where(
        crest > Y,
        128 + 75 * octaves(bent, Y * 0.5, 330.0, 80.0, 33, warp=0.0),
        118 + 65 * octaves(bent, Y * 0.5, 290.0, 80.0, 37, warp=0.0),
    )
    half = np.maximum(half, 60.0)
    plain = np.where(crest > Y, 125 + (half - 125) * (1 - 0.9 * ease(X, 1320, 1400) * ease(X, 1620, 1540)), half)
    half = np.where(crest > Y, plain - (plain - np.minimum(plain, 115.0)) * ease(X, 760, 840) * ease(X, 1300, 1200), half)
    top = (48 + 6 * noise(X, Y * 0 + 3.0, 270.0, 35)) * (1 - 0.45 * np.exp(-(((X - 1500) / 180) ** 2)))
    top = top * (1 - 0.5 * ease(X, 2150, 3000)) * (1 + 0.25 * ease(X, 300, -300))
    off = (Y - crest) / half
    ridge = top / (1 + off * off + 0.6 * off**4)
    floor = 95 + 0.0001 * (1200 - X) + 0.012 * (np.sqrt((Y - 600) ** 2 + 25.0**2) - 10.0)
    north = 6 * np.sin(X / 260) * np.exp(-(((Y - 1650) / 300) ** 2)) * ease(X, 2050, 1750)
    rough = ease(to_stream, 90, 450)
    far = ease(Y, 380, -150) + ease(Y, 1650, 2050)
    rolling = octaves(X, Y, 640.0, 40.0, 41, fall=0.58)
    form = floor + ridge + north + rough * (1.2 + 0.05 * ridge) * rolling + far * (5 + 13 * rolling)
    away, bed = away_from(brook, x, y, 260.0)
    bank = bed + 0.02 * away + 0.0003 * away * away
    form = np.where(np.isnan(bed), form, np.minimum(form, form + (bank - form) * ease(away, 260, 120)))
    form = form + (0.15 + 1.1 * ease(to_stream, 120, 330)) * octaves(X, Y, 130.0, 25.0, 47, fall=0.6)
    _, deep = away_from(stream, x, y, 11.0)
    form = form - np.where(np.isnan(deep), 0.0, deep)
    form = eroded(form, rounds=36, cut=0.035, creep=0.12, hold_cells=16, spring_cells=10.0, pins=(x, y, kept, 200.0))
    form = form - runnels(form, 0.8, 12.0, 60.0) * ease(to_stream, 25, 90)
    trim = round(pad_m / coarse_m) - 2
    fine = finer(form[trim:-trim, trim:-trim], round(coarse_m / cell_m))
    x, y = axes(box_m, cell_m)
    X, Y = np.meshgrid(x, y)
    wild = finer(ease(np.hypot(*np.gradient(form, coarse_m)), 0.0, 0.25)[trim:-trim, trim:-trim], round(coarse_m / cell_m))
    fine = fine + settled(0.04 + 0.45 * wild) * octaves(X, Y, 60.0, 12.0, 51, fall=0.55)
    fine = pinned(fine, x, y, kept, 160.0)
    away, depth = away_from(course(STREAM, 1.0), x, y, 14.0)
    fine = fine - np.where(np.isnan(depth), 0.0, depth * ease(away, 7.0, 1.5))
    away, _ = away_from(course(BROOK, 1.0), x, y, 9.0)
    fine = fine - 0.5 * ease(away, 4.5, 1.0)
    return filled(settled(fine))


STREAM = (
    (-700, 560, 0.5), (-420, 625, 0.55), (-270, 588, 0.6), (-210, 632, 0.6), (-130, 650, 0.65), (-80, 604, 0.65), (20, 596, 0.7),
    (70, 650, 0.72), (130, 660, 0.75), (190, 612, 0.77), (280, 574, 0.8), (350, 606, 0.85), (400, 645, 0.85), (470, 632, 0.9),
    (520, 600, 0.9), (580, 612, 0.95), (620, 650, 0.95), (680, 638, 1.0), (690, 612, 1.0), (735, 590, 1.0), (800, 556, 1.05),
    (860, 592, 1.1),
    (890, 632, 1.1), (950, 618, 1.1), (980, 574, 1.15), (1060, 560, 1.15), (1110, 604, 1.2), (1180, 612, 1.2), (1240, 570, 1.2),
    (1350, 548, 1.25), (1400, 596, 1.3), (1460, 606, 1.3), (1500, 566, 1.3), (1565, 554, 1.35), (1610, 576, 1.35), (1655, 585, 1.4),
    (1705, 560, 1.4), (1780, 562, 1.4), (1830, 592, 1.45), (1900, 593, 1.5), (1960, 568, 1.5), (2040, 576, 1.5), (2070, 620, 1.55),
    (2130, 634, 1.55), (2170, 606, 1.6), (2195, 584, 1.6), (2255, 580, 1.6), (2320, 600, 1.65), (2390, 582, 1.65),
    (2430, 535, 1.65),
    (2520, 548, 1.7), (2560, 600, 1.7), (2620, 612, 1.75), (2720, 570, 1.8), (2950, 600, 1.8), (3100, 560, 1.8),
)  # fmt: skip
"""Course of the stream, and the depth of its bed below the plain, which makes its fall."""

BROOK = (
    (380, 1480, 108.0), (520, 1445, 107.2), (660, 1475, 106.2), (800, 1440, 105.0), (930, 1465, 103.2), (1050, 1500, 101.8),
    (1150, 1570, 101.0), (1260, 1590, 100.6), (1380, 1530, 100.3), (1480, 1455, 100.0), (1620, 1410, 99.6), (1780, 1450, 99.2),
    (1930, 1410, 98.7),
    (2100, 1440, 98.2), (2270, 1395, 97.6), (2450, 1430, 97.0), (2650, 1390, 96.3), (2800, 1410, 95.8), (3000, 1390, 95.0),
)  # fmt: skip
"""Course of the brook behind the ridge, and the height of its banks."""


def ossaby_land(box_m: Box, cell_m: float, places: Places) -> Array:
    """Return the hillside garden: terraces that follow the slope, a gully that winds, open slopes with rills around."""
    coarse_m, pad_m = 3.0, 90.0
    x, y = axes(padded(box_m, pad_m), coarse_m)
    X, Y = np.meshgrid(x, y)
    away, _ = away_from(course(GULLY, 1.5), x, y, 90.0)
    depth = 6.0 * (1 - 0.45 * ease(Y, 250, 500)) * (1 + 0.15 * noise(X * 0 + 5.0, Y, 90.0, 61))
    gully = depth * np.exp(-((away / (26 + 4 * noise(X, Y, 70.0, 62))) ** 2))
    rolling = octaves(X, Y, 190.0, 20.0, 63, fall=0.5)
    wild = 1 - garden(X, Y, 30.0)
    form = 180 + 0.18 * Y - gully + (1.6 + 3.2 * wild) * rolling
    kept = [
        (px, py, z - 0.8 * float(np.sin(2 * np.pi * py / 25))) for px, py, z in heights_at(ossaby_story, [*places, *OSSABY_KEPT])
    ]
    wet = eroded(form, rounds=24, cut=0.02, creep=0.12, hold_cells=14, spring_cells=40.0, pins=(x, y, kept, 70.0))
    wet = wet - runnels(wet, 0.3, 9.0, 40.0)
    form = pinned(form, x, y, kept, 70.0)
    form = form + (wet - form) * wild
    trim = round(pad_m / coarse_m) - 2
    slope = finer(form[trim:-trim, trim:-trim], round(coarse_m / cell_m))
    x, y = axes(box_m, cell_m)
    X, Y = np.meshgrid(x, y)
    slope = pinned(slope, x, y, kept, 70.0)
    away, _ = away_from(course(GULLY, 1.0), x, y, 90.0)
    kept_up = garden(X, Y, 8.0) * ease(away, 10, 30)
    lips = (0.68 + 0.06 * noise(X, Y, 60.0, 71)) * kept_up * np.sin(2 * np.pi * slope / 4.5)
    fine = slope + settled(lips) + (0.05 + 0.12 * (1 - kept_up)) * octaves(X, Y, 24.0, 5.0, 73, fall=0.6)
    away, _ = away_from(course(GULLY, 0.5), x, y, 6.0)
    fine = fine - 0.35 * ease(away, 2.5, 0.5)
    return filled(settled(pinned(fine, x, y, heights_at(ossaby_story, [*places, *OSSABY_KEPT]), 22.0)))


def garden(x: Array, y: Array, edge_m: float) -> Array:
    """Return 1 in the terraced part of the hillside, 0 outside, blurred over an edge."""
    bent_x, bent_y = x + 9 * noise(x, y, 70.0, 75), y + 9 * noise(x, y, 70.0, 76)
    inside = ease(bent_x, 8 - edge_m, 8 + edge_m) * ease(bent_x, 228 + edge_m, 228 - edge_m)
    return inside * ease(bent_y, 2 - edge_m, 2 + edge_m) * ease(bent_y, 392 + edge_m, 392 - edge_m)


GULLY = (
    (222, -220), (206, -150), (228, -90), (210, -30), (206, 10), (212, 55), (211, 95), (206, 135), (205, 175), (204, 210),
    (211, 250),
    (213, 285), (200, 330), (198, 380), (216, 430), (209, 490), (220, 560), (212, 640),
)  # fmt: skip
"""Course of the gully, past the pump (212, 60) and the pond (205, 180)."""


def pellimoor_land(box_m: Box, cell_m: float, places: Places) -> Array:
    """Return the orchard's flat land: old river arms and swells of decimetres, drained west and south; a canal in the east."""
    coarse_m, pad_m = 10.0, 200.0
    x, y = axes(padded(box_m, pad_m), coarse_m)
    X, Y = np.meshgrid(x, y)
    kept = heights_at(pellimoor_story, places)
    rolling = octaves(X, Y, 380.0, 40.0, 86, fall=0.55, warp=0.35)
    form = pellimoor_story(X, Y) + 0.14 * rolling
    for arm in OLD_ARMS:
        away, bed = away_from(course(arm, 4.0), x, y, 70.0)
        form = np.where(np.isnan(bed), form, np.minimum(form, bed + (form - bed) * ease(away, 8, 70)))
    form = eroded(form, rounds=30, cut=0.03, creep=0.12, hold_cells=18, spring_cells=12.0, pins=(x, y, kept, 150.0))
    form = form - runnels(form, 0.12, 8.0, 60.0)
    trim = round(pad_m / coarse_m) - 2
    fine = finer(form[trim:-trim, trim:-trim], round(coarse_m / cell_m))
    x, y = axes(box_m, cell_m)
    X, Y = np.meshgrid(x, y)
    fine = fine + 0.02 * octaves(X, Y, 40.0, 8.0, 83, fall=0.6)
    fine = pinned(fine, x, y, kept, 120.0)
    centre = 1080 + 0.042 * (Y - 450)
    off = np.abs(X - centre)
    bed = 41.2 + 0.00005 * Y
    fine = np.where(off < 5.0, np.minimum(fine, bed + (fine - bed) * ease(off, 2.5, 4.5)), fine)
    return filled(settled(fine))


OLD_ARMS = (
    (
        (1000, 1240, 42.3), (830, 1010, 42.24), (690, 985, 42.18), (600, 930, 42.12), (540, 870, 42.06), (450, 880, 42.0),
        (370, 830, 41.92),
        (390, 720, 41.86), (300, 665, 41.82), (210, 700, 41.79), (150, 650, 41.76), (185, 560, 41.74), (150, 480, 41.71),
        (50, 500, 41.69),
        (20, 420, 41.67), (-60, 370, 41.65), (-170, 400, 41.62), (-320, 380, 41.6),
    ),
    (
        (760, 560, 42.62), (690, 500, 42.52), (720, 400, 42.45), (790, 330, 42.4), (760, 250, 42.36), (850, 180, 42.3),
        (930, 110, 42.26),
        (880, 40, 42.22), (910, -40, 42.18), (860, -120, 42.15), (900, -340, 42.1),
    ),
)  # fmt: skip
"""Courses of a river that has left this land, with the height of its bed: what is left are bends of wet ground."""
