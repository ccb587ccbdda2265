"""Places for relays that the land itself offers: gables, crests, saddles, field edges, boundary posts, then high open ground."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import scipy  # its parts are loaded when they are first used
import shapely
from numpy.typing import NDArray

from meshplan.grid import Grid
from meshplan.records import Cover, Power, Role, Site
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import cover_at, ground_at

ToDegrees = Callable[[float, float], tuple[float, float]]
"""Turns metres of the grid into longitude and latitude."""

Shunned = Callable[[float, float, float], bool]
"""Tells of a place on the grid and a height above ground whether it is taken only where no other is left."""

POST_HEIGHTS_AGL_M: Final = (3.0, 5.0, 8.0)
"""Antenna heights offered at a new post (common practice, no source)."""

ABOVE_ROOF_M: Final = 1.5
OFF_THE_WALL_M: Final = 1.0
LEAST_GABLE_M: Final = 1.5
"""What is thinner is a wall that stands by itself, no house (own choice)."""
EDGE_STEP_M: Final = 60.0
LEAST_CREST_M: Final = 0.5
"""A crest or saddle flatter than this is no landmark."""

SHARE_OF_ONE_KIND: Final = 0.4
"""Most of the places that one kind may take while others are left."""

SHARE_ON_BUILDINGS: Final = 0.67
"""Most of the gateway places that gables may take: open land is looked at too (own choice)."""

BETWEEN_GABLES_M: Final = 15.0
"""Gateway places on buildings keep so far apart (own choice)."""

GATEWAYS_ROUND_IT: Final = 0.3
"""Where no boundary is drawn: the house may stand so far outside the sites, as a share of their reach (own choice)."""

FOUND_ON_THE_LAND: Final = "found on the land"
"""Stands where a site names its file."""

OUT_ON_THE_LAND: Final = "mobile_data"
"""Way out of a gateway on open land."""


@dataclass(frozen=True)
class _Place:
    kind: str
    x_m: float
    y_m: float
    worth: float
    """Within its kind: metres of prominence, or zero."""
    antenna_agl_m: float = POST_HEIGHTS_AGL_M[0]
    heights_agl_m: tuple[float, ...] = POST_HEIGHTS_AGL_M
    power: Power = Power.PANEL


@dataclass(frozen=True, eq=False)
class _Relief:
    """Ground with unknown cells filled by the mean, and how far it stands above its surroundings; shape (rows, columns)."""

    ground_amsl_m: NDArray[np.float32]
    above_m: NDArray[np.float32]


def find_relay_places(
    landscape: Landscape,
    boundary: shapely.Geometry | None,
    sites: Sequence[Site],
    count: int,
    to_degrees: ToDegrees,
    shunned: Shunned | None = None,
    *,
    search_ground: shapely.Geometry | None = None,
) -> tuple[Site, ...]:
    """Return relay candidates on the land, at most `count`, each a site of its own.

    Kinds that carry an antenna already or overlook the land come first: gables, crests, saddles, edges of woods and fields,
    boundary corners; what is left of the count is filled with the highest open ground of squares that nothing covers yet. Places
    keep apart from each other and from the user's sites, lie inside the boundary (without one: within the sites' hull and a
    margin), off buildings and water and on known ground.

    Parameters
    ----------
    landscape : Landscape
    boundary : shapely polygon or None
    sites : sequence of Site
        The user's sites; no candidate is put on top of one.
    count : int
    to_degrees : callable
        x, y on the grid to longitude, latitude.
    shunned : callable, optional
        Places that come last within their kind, such as those from which a mast could fall on a power line.
    search_ground : shapely polygon, optional
        Where to look, in place of all land inside the boundary; its corners are no places of their own.
    """
    area = boundary if boundary is not None else _hull(sites)
    if search_ground is not None:
        area = search_ground if boundary is None else shapely.intersection(search_ground, boundary)
    spacing_m = 0.5 * math.sqrt(area.area / max(count, 1))
    taken = [(site.x_m, site.y_m) for site in sites if site.role is not Role.SENSOR]
    relief = _relief(landscape, spacing_m)
    by_kind = [
        _gables(landscape.covers),
        _crests(relief, landscape.grid, spacing_m),
        _saddles(relief, landscape.grid, spacing_m),
        _edges(landscape.covers, landscape.grid),
        _corners(area) if search_ground is None else iter(()),
        _high_ground(relief, landscape, spacing_m),
    ]
    shapely.prepare(area)
    chosen: list[_Place] = []
    for number, places in enumerate(by_kind):
        last = number == len(by_kind) - 1
        room = count - len(chosen) if last else max(1, round(SHARE_OF_ONE_KIND * count))
        chosen += _chosen(places, min(room, count - len(chosen)), landscape, area, taken, spacing_m, shunned)
    return tuple(_as_site(place, number, to_degrees) for number, place in enumerate(chosen, start=1))


def find_gateway_places(
    landscape: Landscape,
    boundary: shapely.Geometry | None,
    sites: Sequence[Site],
    count: int,
    to_degrees: ToDegrees,
    shunned: Shunned | None = None,
) -> tuple[Site, ...]:
    """Return gateway candidates, at most `count`: gables, where there is mains and perhaps a network, then crests and high ground.

    Gables take most of them, since power and a way out are what a gateway needs; open land gets a post with a panel, and mobile
    data unless the property's usual way out reaches it. Places lie as those of `find_relay_places`; each says what it needs.

    Parameters
    ----------
    landscape, boundary, sites, count, to_degrees, shunned
        As for `find_relay_places`.
    """
    area = boundary if boundary is not None else _hull(sites, GATEWAYS_ROUND_IT)
    spacing_m = 0.5 * math.sqrt(area.area / max(count, 1))
    relief = _relief(landscape, spacing_m)
    shapely.prepare(area)
    taken: list[tuple[float, float]] = []
    on_buildings = max(1, round(SHARE_ON_BUILDINGS * count)) if count else 0
    chosen = _chosen(_gables(landscape.covers), on_buildings, landscape, area, taken, min(spacing_m, BETWEEN_GABLES_M), shunned)
    for places in (_crests(relief, landscape.grid, spacing_m), _high_ground(relief, landscape, spacing_m)):
        chosen += _chosen(places, count - len(chosen), landscape, area, taken, spacing_m, shunned)
    return tuple(_as_gateway(place, number, to_degrees) for number, place in enumerate(chosen, start=1))


def _chosen(
    places: Iterable[_Place],
    room: int,
    landscape: Landscape,
    area: shapely.Geometry,
    taken: list[tuple[float, float]],
    spacing_m: float,
    shunned: Shunned | None,
) -> list[_Place]:
    """Return the best places of one kind that fit, at most `room`, and add them to those taken."""
    found: list[_Place] = []

    def last(place: _Place) -> bool:
        return shunned is not None and shunned(place.x_m, place.y_m, max((place.antenna_agl_m, *place.heights_agl_m)))

    for place in sorted(places, key=lambda p: (last(p), -p.worth, p.x_m, p.y_m)):
        if len(found) >= room:
            break
        if _fits(place, landscape, area, taken, spacing_m):
            found.append(place)
            taken.append((place.x_m, place.y_m))
    return found


def _fits(
    place: _Place, landscape: Landscape, area: shapely.Geometry, taken: Sequence[tuple[float, float]], spacing_m: float
) -> bool:
    if not area.contains(shapely.Point(place.x_m, place.y_m)) or not np.isfinite(ground_at(landscape, place.x_m, place.y_m)):
        return False
    number = int(cover_at(landscape, place.x_m, place.y_m))
    if number and landscape.covers[number - 1].kind in ("building", "water"):
        return False
    return all(math.hypot(place.x_m - x, place.y_m - y) >= spacing_m for x, y in taken)


def _as_site(place: _Place, number: int, to_degrees: ToDegrees) -> Site:
    lon_deg, lat_deg = to_degrees(place.x_m, place.y_m)
    return Site(
        name=f"Found {number}, {place.kind}",
        role=Role.RELAY,
        lon_deg=round(float(lon_deg), 7),
        lat_deg=round(float(lat_deg), 7),
        x_m=place.x_m,
        y_m=place.y_m,
        antenna_agl_m=place.antenna_agl_m,
        mast_heights_agl_m=place.heights_agl_m,
        power=place.power,
        note="found on the land by the planner: go and look",
        where=FOUND_ON_THE_LAND,
    )


def _as_gateway(place: _Place, number: int, to_degrees: ToDegrees) -> Site:
    site = _as_site(place, number, to_degrees)
    on_building = place.power is Power.MAINS
    needs = "mains and a way out in the building" if on_building else "a post, a panel and a way out such as mobile data"
    return replace(
        site,
        name=f"Found gateway {number}, {place.kind}",
        role=Role.GATEWAY,
        backhaul=None if on_building else OUT_ON_THE_LAND,
        note=f"found by the planner, which knows of no power and no network: it needs {needs}; go and look",
    )


def _hull(sites: Sequence[Site], round_it: float = 0.1) -> shapely.Geometry:
    points = shapely.MultiPoint([(site.x_m, site.y_m) for site in sites])
    reach_m = max(math.hypot(*(np.array(points.bounds[2:]) - np.array(points.bounds[:2]))), 100.0)
    return points.convex_hull.buffer(round_it * reach_m)


def _gables(covers: Sequence[Cover]) -> Iterator[_Place]:
    """Yield the middles of the short walls of buildings, just outside, with an antenna above the roof."""
    for cover in covers:
        if not cover.is_building:
            continue
        for polygon in shapely.get_parts(cover.geometry):
            corners = np.array(polygon.minimum_rotated_rectangle.exterior.coords)[:4]
            centre = corners.mean(axis=0)
            walls = [(corners[i], corners[(i + 1) % 4]) for i in range(4)]
            walls.sort(key=lambda wall: float(np.hypot(*(wall[1] - wall[0]))))
            if float(np.hypot(*(walls[0][1] - walls[0][0]))) < LEAST_GABLE_M:
                continue
            for start, end in walls[:2]:
                middle = (start + end) / 2.0
                outward = (middle - centre) / max(float(np.hypot(*(middle - centre))), 0.1)
                x, y = middle + outward * OFF_THE_WALL_M
                height_m = cover.height_m + ABOVE_ROOF_M
                yield _Place(f"gable of {cover.name or 'a building'}", float(x), float(y), height_m, height_m, (), Power.MAINS)


def _crests(relief: _Relief, grid: Grid, spacing_m: float) -> Iterator[_Place]:
    """Yield local tops of the ground over its surroundings."""
    cells = max(3, round(spacing_m / grid.cell_m))
    top = (relief.above_m == scipy.ndimage.maximum_filter(relief.above_m, size=cells)) & (relief.above_m >= LEAST_CREST_M)
    yield from _cells("crest", top, relief.above_m, grid)


def _saddles(relief: _Relief, grid: Grid, spacing_m: float) -> Iterator[_Place]:
    """Yield passes: level places that rise to two sides and fall to the other two."""
    smooth = scipy.ndimage.gaussian_filter(relief.ground_amsl_m, max(1.0, 0.25 * spacing_m / grid.cell_m), truncate=3.0)
    down, right = np.gradient(smooth, grid.cell_m)
    yy, yx = np.gradient(down, grid.cell_m)
    xx = np.gradient(right, grid.cell_m, axis=1)
    reach_m = max(spacing_m, grid.cell_m)
    prominence = np.sqrt(np.maximum(yx**2 - xx * yy, 0.0)) * reach_m**2 / 8.0
    level = np.hypot(down, right) * reach_m < prominence
    cells = max(3, round(spacing_m / grid.cell_m))
    best = prominence == scipy.ndimage.maximum_filter(np.where(level, prominence, 0.0), size=cells)
    yield from _cells("saddle", level & best & (prominence >= LEAST_CREST_M), prominence, grid)


def _edges(covers: Sequence[Cover], grid: Grid) -> Iterator[_Place]:
    """Yield places on the grid along the edges of woods, orchards and fields, just outside; an edge may reach far beyond it."""
    for cover in covers:
        if cover.is_building or cover.kind == "water":
            continue
        for polygon in shapely.get_parts(cover.geometry.buffer(OFF_THE_WALL_M)):
            edge = polygon.exterior
            steps = max(4, int(edge.length // EDGE_STEP_M))
            x, y = shapely.get_coordinates(shapely.line_interpolate_point(edge, np.arange(steps) / steps, normalized=True)).T
            here = (x >= grid.west_m) & (x <= grid.east_m) & (y >= grid.south_m) & (y <= grid.north_m)
            for x_m, y_m in zip(x[here].tolist(), y[here].tolist(), strict=True):
                yield _Place(f"edge of {cover.name or cover.kind}", x_m, y_m, 0.0)


def _corners(area: shapely.Geometry) -> Iterator[_Place]:
    """Yield the corners of the land, a metre inside."""
    for polygon in shapely.get_parts(area.buffer(-OFF_THE_WALL_M)):
        for x, y in list(polygon.exterior.simplify(5.0).coords)[:-1]:
            yield _Place("boundary corner", float(x), float(y), 0.0)


def _high_ground(relief: _Relief, landscape: Landscape, spacing_m: float) -> Iterator[_Place]:
    """Yield the highest open cell of every square of the spacing."""
    open_ground = np.where((landscape.cover_index == 0) & np.isfinite(landscape.ground_amsl_m), relief.above_m, -np.inf)
    step = max(1, round(spacing_m / landscape.grid.cell_m))
    best = np.zeros(open_ground.shape, dtype=bool)
    for row in range(0, open_ground.shape[0], step):
        for column in range(0, open_ground.shape[1], step):
            block = open_ground[row : row + step, column : column + step]
            if np.isfinite(block).any():
                at = np.unravel_index(int(np.argmax(block)), block.shape)
                best[row + at[0], column + at[1]] = True
    yield from _cells("high ground", best, relief.above_m, landscape.grid)


def _relief(landscape: Landscape, spacing_m: float) -> _Relief:
    ground = landscape.ground_amsl_m
    filled = np.where(np.isfinite(ground), ground, np.nanmean(ground)).astype(np.float32)
    return _Relief(filled, filled - scipy.ndimage.gaussian_filter(filled, spacing_m / landscape.grid.cell_m, truncate=2.0))


def _cells(kind: str, found: NDArray[np.bool_], worth: NDArray[np.floating], grid: Grid) -> Iterator[_Place]:
    rows, columns = np.nonzero(found)
    x, y = grid.x_y(columns, rows)
    for i in range(len(rows)):
        yield _Place(kind, float(x[i]), float(y[i]), round(float(worth[rows[i], columns[i]]), 3))
