"""The landscape: bare ground with everything that stands on it, on one grid."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio.enums import MergeAlg
from rasterio.features import rasterize, shapes
from rasterio.transform import from_origin

from meshplan.grid import Elevation, Float32, Grid
from meshplan.kinds import FIELD_CROPS, PLANT_KINDS
from meshplan.records import Cover, Origin
from meshplan.terrain.cover_lattice import CoverLattice, finer_grid, on_parts
from meshplan.terrain.mapped_land import EVERYTHING_MAPPED, MappedLand, with_seen
from meshplan.terrain.relief import Relief, grid_holds_ground, reliefs_of
from meshplan.units import Indices

UNMAPPED_GROWTH_LEAST_M = 2.0
"""Height above bare ground from which a surface raster shows something worth counting (common practice, no source)."""

UNSEEN_BELOW_SD = 2.0
"""Below so many standard deviations of surface less ground nothing is seen (own choice: 1 bare cell in 40 would pass)."""

HIGHEST_CROP_M = 3.0
"""Grass and crops of open data that stand higher in a surface are trees or roofs (own choice; maize grows to 2.5 m)."""

MEASURED_TOP_PERCENT = 90.0
"""Of what is measured in a piece of cover this percentage stands for its height: roof or crowns (own choice)."""
MEASURED_SHARE = 0.5
"""Share of its cells that must be measured for that (own choice)."""

THIN_CELLS = 2.0
"""Plants thinner than so many cells are laid by the true share that they take of each."""
SHARE_STEPS = 8
"""Such shares are counted on so many parts of a cell each way."""
MOST_SHARE_CELLS = 64_000_000
PAINTED_AT_ONCE = 16_000_000
"""Parts of cells in one go where many thin covers are laid together: 64 MB."""
MOST_LAYERS = 12
MOST_ALONE = 500
"""More covers than that are laid together."""
MOST_SHORT_NUMBERS = int(np.iinfo(np.uint16).max)
"""Up to so many pieces of cover are numbered in two bytes a cell, more in four; one more may come from a surface raster."""


@dataclass(frozen=True, eq=False)
class Landscape:
    """Ground and cover on one grid.

    `cover_index` has shape (rows, columns): 0 is open ground, i is `covers[i - 1]`. `canopy_m` holds the height above ground of
    trees and roofs where a surface raster shows it, else NaN. `ground_is_surface` says that trees and roofs are already in the
    heights, so that cover adds none. `mapped` tells where the files account for all that stands on the land.
    """

    elevation: Elevation
    covers: tuple[Cover, ...]
    cover_index: Indices
    canopy_m: Float32 | None
    assumptions: tuple[str, ...]
    cover_share: Float32 | None = None
    """How much of its cell a thin cover takes, 1 elsewhere: metres through it count by that; None where all cells are full."""
    mapped: MappedLand = EVERYTHING_MAPPED
    finer_cover: CoverLattice | None = None
    """The cover once more on parts of the cells, where these are too coarse for hedges and houses."""

    @cached_property
    def cover_lattice(self) -> CoverLattice:
        """The cover that links meet: on parts of the cells where those are coarse, else on the cells themselves."""
        return self.finer_cover or CoverLattice(self.grid, self.cover_index, self.canopy_m, self.cover_share)

    @property
    def grid(self) -> Grid:
        """The working grid."""
        return self.elevation.grid

    @property
    def ground_amsl_m(self) -> Float32:
        """Bare ground, NaN where unknown; shape (rows, columns)."""
        return self.elevation.ground_amsl_m

    @cached_property
    def reliefs(self) -> tuple[Relief | None, ...]:
        """What is known of each raster of `elevation.rasters`; None for those that give no ground."""
        return reliefs_of(self.elevation)

    @cached_property
    def grid_holds_ground(self) -> bool:
        """Whether the ground of the rasters is on the grid already; else it is read between their own pixels."""
        return grid_holds_ground(self.elevation)

    @property
    def sampled_as_m(self) -> float:
        """Cell of the raster that sets how densely paths are sampled."""
        return self.elevation.sampled_as_m or self.grid.cell_m

    @property
    def ground_is_surface(self) -> bool:
        """Whether trees and roofs are already in the heights."""
        return self.elevation.ground_is_surface

    def cover_heights_m(self, month: int) -> NDArray[np.float64]:
        """Return the height of each cover in a month, shape (n_covers + 1,); entry 0 is open ground.

        With a surface model in place of bare ground all heights are zero: what stands there is in the ground already.
        """
        return np.array(self._cover_heights_m[month - 1])

    @cached_property
    def building_covers(self) -> NDArray[np.bool_]:
        """Which covers are buildings, shape (n_covers + 1,); entry 0 is open ground. Worked out once: covers may be many."""
        return np.array([False, *(cover.is_building for cover in self.covers)])

    @cached_property
    def roof_heights_m(self) -> NDArray[np.float64]:
        """The height of each building, 0 of all else, shape (n_covers + 1,); entry 0 is open ground."""
        return np.array([0.0, *(cover.height_m if cover.is_building else 0.0 for cover in self.covers)])

    def covers_of(self, kinds: frozenset[str]) -> NDArray[np.bool_]:
        """Return which covers are of some kinds, shape (n_covers + 1,); entry 0 is open ground."""
        if kinds not in self._known_kinds:
            self._known_kinds[kinds] = np.array([False, *(cover.kind in kinds for cover in self.covers)])
        return self._known_kinds[kinds]

    @cached_property
    def _known_kinds(self) -> dict[frozenset[str], NDArray[np.bool_]]:
        """What `covers_of` has worked out."""
        return {}

    @cached_property
    def plant_groups(self) -> tuple[tuple[tuple[str, float | None], ...], NDArray[np.intp]]:
        """Plants that are counted together: kind and direction of rows of each group, and the group of each cover, −1 for none."""
        groups: dict[tuple[str, float | None], int] = {}
        group_of = np.full(len(self.covers) + 1, -1, dtype=np.intp)
        for number, cover in enumerate(self.covers, start=1):
            if cover.kind in PLANT_KINDS:
                group_of[number] = groups.setdefault((cover.kind, cover.row_azimuth_deg), len(groups))
        return tuple(groups), group_of

    @cached_property
    def _cover_heights_m(self) -> NDArray[np.float64]:
        """What `cover_heights_m` gives, by month, worked out once; shape (12, n_covers + 1)."""
        heights = np.zeros((12, len(self.covers) + 1))
        if not self.ground_is_surface:
            for number, cover in enumerate(self.covers, start=1):
                heights[:, number] = [cover.height_in_month_m(month) for month in range(1, 13)]
        return heights

    @cached_property
    def tallest_covers_m(self) -> NDArray[np.float64]:
        """The height of each cover in the month when it is tallest, shape (n_covers + 1,); entry 0 is open ground."""
        return np.asarray(self._cover_heights_m.max(axis=0))


def build_landscape(elevation: Elevation, covers: Sequence[Cover], mapped: MappedLand = EVERYTHING_MAPPED) -> Landscape:
    """Lay the cover on the grid.

    Where covers overlap, the more trusted layer wins (`records.Origin.layer`), in it buildings over all else, then the taller one.
    A cell belongs to a cover if its centre lies inside. Plants thinner than two cells take all cells that they touch, each by its
    true share; a building too thin to hold any centre takes them whole. Where the cells are coarse, the cover is laid once more on
    parts of them, which links meet. A surface raster shows what stands where it reaches, so the land under it is mapped, whatever
    `mapped` says of the cover files.
    """
    grid = elevation.grid
    assumptions: list[str] = []
    ordered = tuple(sorted(covers, key=lambda cover: (cover.origin.layer, cover.is_building, _tallest_m(cover), cover.name)))
    index, cover_share = _laid(ordered, grid)
    parted = None if elevation.ground_is_surface or not ordered else finer_grid(grid)
    parts = 1 if parted is None else parted.columns // grid.columns
    finer = None if parted is None else _laid(ordered, parted)
    if elevation.canopy_raster_m is not None and not elevation.ground_is_surface:
        ordered, index, reported = _with_canopy(ordered, index, elevation)
        assumptions += reported
        if finer is not None:
            seen = on_parts(index, parts)
            won = _is_canopy(ordered)[seen] & _below_canopy(ordered)[finer[0]]
            finer = finer[0].astype(index.dtype), finer[1]
            finer[0][won] = seen[won]
    canopy_m: Float32 | None = None
    if elevation.surface_amsl_m is not None:
        canopy_m = np.asarray(elevation.surface_amsl_m - elevation.ground_amsl_m, dtype=np.float32)
        canopy_m = np.maximum(canopy_m, np.float32(0.0))
        least_m = max(UNMAPPED_GROWTH_LEAST_M, UNSEEN_BELOW_SD * elevation.surface_error_m)
        if not elevation.ground_is_surface:
            ordered, measured = with_measured_heights(ordered, index, canopy_m)
            if measured:
                assumptions.append(
                    f"Heights of {measured} pieces of cover that state none are those of the surface less the ground."
                )
        unmapped = _overgrown(ordered, index, canopy_m, least_m)
        if bool(unmapped.any()):
            whole = outline_of(unmapped, grid)
            tallest_m = float(np.nanmax(canopy_m))
            growth = Cover("growth seen from above", "wood_deciduous", whole, tallest_m, origin=Origin.SEEN_ABOVE)
            ordered = (*ordered, growth)
            index[unmapped] = len(ordered)
            if parted is not None and finer is not None:
                finer[0][_overgrown(ordered, finer[0], on_parts(canopy_m, parts), least_m)] = len(ordered)
            share = float(unmapped.mean())
            assumptions.append(
                f"On {100.0 * share:.0f} % of the land the surface raster stands {least_m:.2g} m or more above the ground "
                "without a cover polygon; it is taken for deciduous trees."
            )
    if elevation.ground_is_surface and ordered:
        assumptions.append(
            "The elevation is a surface model: trees and roofs are in it already, so the cover polygons add no height."
        )
    if len(ordered) > MOST_SHORT_NUMBERS:
        assumptions.append(
            f"{len(ordered)} pieces of cover lie on the land, more than the map can hold ({MOST_SHORT_NUMBERS}): it shows the plan "
            "and offers no trials of other places and heights."
        )
    lattice = None
    if parted is not None and finer is not None:
        lattice = CoverLattice(parted, finer[0], None if canopy_m is None else on_parts(canopy_m, parts), _if_thin(finer[1]))
    mapped = _with_surface(mapped, elevation)
    return Landscape(elevation, ordered, index, canopy_m, tuple(assumptions), _if_thin(cover_share), mapped, lattice)


def with_measured_heights(
    ordered: Sequence[Cover], index: NDArray[np.unsignedinteger[Any]], measured_m: Float32, origin: Origin = Origin.SURFACE
) -> tuple[tuple[Cover, ...], int]:
    """Return cover whose height nobody told with the height that is measured in its own cells, and how many pieces that are.

    Field crops and water keep theirs: the one changes through the year, the other has none.
    """
    wanted = [
        number
        for number, cover in enumerate(ordered, start=1)
        if cover.origin.height_is_usual and cover.kind not in (*FIELD_CROPS, "water") and not cover.heights_by_month_m
    ]
    if not wanted:
        return tuple(ordered), 0
    flat = index.ravel()
    by_number = np.argsort(flat, kind="stable")
    first = np.searchsorted(flat[by_number], [*wanted, *(number + 1 for number in wanted)])
    found = list(ordered)
    done = 0
    for k, number in enumerate(wanted):
        heights = measured_m.ravel()[by_number[first[k] : first[k + len(wanted)]]]
        known = heights[np.isfinite(heights)]
        if known.size and known.size >= MEASURED_SHARE * heights.size:
            height_m = round(float(np.percentile(known, MEASURED_TOP_PERCENT)), 2)
            found[number - 1] = replace(found[number - 1], height_m=height_m, origin=origin)
            done += 1
    return tuple(found), done


def _overgrown(
    ordered: Sequence[Cover], index: NDArray[np.unsignedinteger[Any]], canopy_m: Float32, least_m: float
) -> NDArray[np.bool_]:
    """Return where a surface shows growth that no file accounts for: on open land, and on grass and crops that stand too high.

    What the user drew as grass or crop stays that, however high.
    """
    low = [cover.kind in ("grass", *FIELD_CROPS) and cover.origin.layer < Origin.DRAWN.layer for cover in ordered]
    too_high = np.array([False, *low])[index] & (canopy_m >= max(least_m, HIGHEST_CROP_M))
    return np.asarray(((index == 0) & (canopy_m >= least_m)) | too_high)


CANOPY_BANDS_M = (3.0, 6.0, 10.0, 15.0, 20.0, 30.0, 200.0)
"""Trees that only a canopy map shows stand in bands of these heights; lower growth is not told from grass (own choice)."""
OUTLINE_CELL_M = 5.0
"""Outlines of what rasters show are drawn on cells of at least this size."""


def _with_canopy(
    ordered: Sequence[Cover], index: NDArray[np.unsignedinteger[Any]], elevation: Elevation
) -> tuple[tuple[Cover, ...], NDArray[np.unsignedinteger[Any]], list[str]]:
    """Return cover and index with the heights of a canopy map: for plants whose height nobody told, and trees that nobody mapped.

    Buildings keep their heights: no canopy map shows them.
    """
    canopy = elevation.canopy_raster_m
    assert canopy is not None
    aside = [cover.is_building or cover.origin is Origin.CLASSES for cover in ordered]
    plants = [replace(cover, origin=Origin.DRAWN) if kept else cover for cover, kept in zip(ordered, aside, strict=True)]
    measured, count = with_measured_heights(plants, index, canopy, Origin.CANOPY_HEIGHT)
    found = [old if kept else new for new, old, kept in zip(measured, ordered, aside, strict=True)]
    reported = [f"{count} pieces of cover that state no height have that of the canopy-height raster."] if count else []
    open_land = _below_canopy(ordered)[index] & (canopy >= CANOPY_BANDS_M[0])
    if open_land.any():
        for low_m, high_m in itertools.pairwise(CANOPY_BANDS_M):
            here = open_land & (canopy >= low_m) & (canopy < high_m)
            if not here.any():
                continue
            height_m = round(float(np.mean(canopy[here])), 1)
            outline = outline_of(here, elevation.grid)
            found.append(Cover(f"trees of about {height_m:g} m", "wood_deciduous", outline, height_m, origin=Origin.CANOPY))
            index = index.astype(np.uint32) if len(found) > np.iinfo(index.dtype).max else index
            index[here] = len(found)
        reported.append(
            f"On {100.0 * float(open_land.mean()):.0f} % of the land only the canopy-height raster shows trees: taken as deciduous."
        )
    return tuple(found), index, reported


def _below_canopy(ordered: Sequence[Cover]) -> NDArray[np.bool_]:
    """Return for each number of cover, 0 for open ground, whether a canopy map goes before it: open land and mere classes."""
    return np.array([True, *(cover.origin is Origin.CLASSES and cover.kind != "water" for cover in ordered)])


def _is_canopy(ordered: Sequence[Cover]) -> NDArray[np.bool_]:
    """Return for each number of cover, 0 for open ground, whether only a canopy map shows it."""
    return np.array([False, *(cover.origin is Origin.CANOPY for cover in ordered)])


def outline_of(cells: NDArray[np.bool_], grid: Grid) -> shapely.Geometry:
    """Return the outline of cells of a grid, on coarser cells where these are small; for drawing, and for edges."""
    step = max(1, round(OUTLINE_CELL_M / grid.cell_m))
    rows, columns = (-(-count // step) for count in cells.shape)
    padded = np.zeros((rows * step, columns * step), dtype=np.float32)
    padded[: cells.shape[0], : cells.shape[1]] = cells
    share = padded.reshape(rows, step, columns, step).mean(axis=(1, 3))
    seen = share >= min(0.5, float(share.max()))
    side_m = grid.cell_m * step
    drawn = shapes(seen.astype(np.uint8), mask=seen, transform=from_origin(grid.west_m, grid.north_m, side_m, side_m))
    return shapely.MultiPolygon([shapely.geometry.shape(shape) for shape, _ in drawn])


def _if_thin(share: Float32) -> Float32 | None:
    return share if bool((share < 1.0).any()) else None


def _laid(ordered: Sequence[Cover], grid: Grid) -> tuple[NDArray[np.unsignedinteger[Any]], Float32]:
    """Return for each cell of a grid the number of the cover that has it, and how much of the cell it takes."""
    index = np.zeros(grid.shape, dtype=np.uint16 if len(ordered) < MOST_SHORT_NUMBERS else np.uint32)
    cover_share = np.ones(grid.shape, dtype=np.float32)
    together = lay_many(ordered, grid, index, cover_share) if len(ordered) > MOST_ALONE else frozenset()
    for number, cover in enumerate(ordered, start=1):
        laid = None if number in together else _lay(cover, grid)
        if laid is None:
            continue
        window, part = laid
        won = (part > 0.0) & (index[window] < number)
        index[window][won] = number
        cover_share[window][won] = part[won]
    return index, cover_share


def _with_surface(mapped: MappedLand, elevation: Elevation) -> MappedLand:
    """Return the mapped land with what a surface raster shows."""
    if mapped.boxes is None or elevation.ground_is_surface:
        return EVERYTHING_MAPPED
    if elevation.surface_amsl_m is None:
        return mapped
    rows, columns = np.nonzero(np.isfinite(elevation.surface_amsl_m))
    if not len(rows):
        return mapped
    west, north = elevation.grid.x_y(columns.min() - 0.5, rows.min() - 0.5)
    east, south = elevation.grid.x_y(columns.max() + 0.5, rows.max() + 0.5)
    seen = (float(west), float(south), float(east), float(north))
    grid = elevation.grid
    if seen == (grid.west_m, grid.south_m, grid.east_m, grid.north_m):
        return EVERYTHING_MAPPED
    return with_seen(mapped, seen, (grid.west_m, grid.south_m, grid.east_m, grid.north_m))


def lay_many(ordered: Sequence[Cover], grid: Grid, index: NDArray[Any], cover_share: Float32) -> frozenset[int]:
    """Lay most of many covers, several thousand in one go, and return the numbers of those that are done.

    The last in order that reaches a cell has it, so its cells are never painted over, and one raster of numbers holds the share of
    each: at once for broad ones, on parts of cells for thin ones. What is left is as `_lay` has it: covers of great windows, and
    buildings that are too thin to hold half of their cells.
    """
    bounds = shapely.bounds([cover.geometry for cover in ordered])
    sound = np.isfinite(bounds).all(axis=1)
    left, right = ((bounds[:, k] - grid.west_m) / grid.cell_m for k in (0, 2))
    top, bottom = ((grid.north_m - bounds[:, k]) / grid.cell_m for k in (3, 1))
    away = ~sound | (right < -1.0) | (left > grid.columns + 1.0) | (bottom < -1.0) | (top > grid.rows + 1.0)
    many = (right - left + 3.0) * (bottom - top + 3.0) * SHARE_STEPS**2 > MOST_SHARE_CELLS
    buildings = np.array([cover.is_building for cover in ordered], bool)
    thin = ~buildings & (_widths_m(ordered) < THIN_CELLS * grid.cell_m - 1e-9)
    outlines = _as_mappings(ordered)
    numbers = np.arange(1, len(ordered) + 1)
    broad = numbers[~away & ~thin]
    rows_at_once = max(1, PAINTED_AT_ONCE // (grid.columns * SHARE_STEPS**2))

    def painted(chosen: NDArray[np.intp], first: int, rows: int, times: int) -> NDArray[np.uint32]:
        side_m = grid.cell_m / times
        return np.asarray(
            rasterize(
                ((outlines[number - 1], int(number)) for number in chosen),
                out_shape=(rows * times, grid.columns * times),
                transform=from_origin(grid.west_m, grid.north_m - first * grid.cell_m, side_m, side_m),
                merge_alg=MergeAlg.replace,
                dtype="uint32",
            )
        )

    if len(broad):
        index[:] = painted(broad, 0, grid.rows, 1)
    # Whether a cover holds half of its cells is seen once no other lies above it: those that do are taken away, layer by layer.
    expected = shapely.area([cover.geometry for cover in ordered]) / grid.cell_m**2
    hidden = ~thin & ~away
    for _ in range(MOST_LAYERS):
        left_over = numbers[hidden]
        if len(left_over) < MOST_ALONE:
            break
        shown = np.bincount(painted(left_over, 0, grid.rows, 1).ravel(), minlength=len(ordered) + 1)[1:]
        hidden &= (shown < 0.5 * expected) | (shown == 0)
        if int(hidden.sum()) > 0.9 * len(left_over):
            break
    for first in range(0, grid.rows, rows_at_once):
        rows = min(rows_at_once, grid.rows - first)
        here = numbers[thin & ~many & ~away & (bottom >= first - 1) & (top <= first + rows + 1)]
        if not len(here):
            continue
        parts = painted(here, first, rows, SHARE_STEPS).reshape(rows, SHARE_STEPS, grid.columns, SHARE_STEPS)
        last = parts.max(axis=(1, 3))
        share = (parts == last[:, None, :, None]).mean(axis=(1, 3), dtype=np.float32)
        window = slice(first, first + rows)
        won = last > index[window]
        index[window][won] = last[won]
        cover_share[window][won] = share[won]
    return frozenset(numbers[away | ~(hidden | (thin & many))].tolist())


def _tallest_m(cover: Cover) -> float:
    return max((cover.height_m, *cover.heights_by_month_m))


def _widths_m(covers: Sequence[Cover]) -> NDArray[np.float64]:
    """Return the width of each one's broadest part: twice its area over its outline, exact for long strips, half of squares."""
    parts, owners = shapely.get_parts([cover.geometry for cover in covers], return_index=True)
    lengths_m = shapely.length(parts)
    widths_m = np.zeros(len(covers))
    long = lengths_m > 0.0
    np.maximum.at(widths_m, owners[long], 2.0 * shapely.area(parts)[long] / lengths_m[long])
    return widths_m


def _as_mappings(covers: Sequence[Cover]) -> list[Any]:
    """Return shapes as the library that paints them wants them, those of one ring in one go: asked one by one they take longer
    than the painting."""
    shapes = np.array([cover.geometry for cover in covers], dtype=object)
    plain = (shapely.get_type_id(shapes) == shapely.GeometryType.POLYGON) & (shapely.get_num_interior_rings(shapes) == 0)
    plain &= ~shapely.is_empty(shapes)
    found: list[Any] = shapes.tolist()
    at = np.flatnonzero(plain)
    ends = np.cumsum(shapely.get_num_coordinates(shapes[at])).tolist()
    corners = shapely.get_coordinates(shapes[at]).tolist()
    for number, first, end in zip(at.tolist(), [0, *ends], ends, strict=False):
        found[number] = {"type": "Polygon", "coordinates": [corners[first:end]]}
    return found


def _lay(cover: Cover, grid: Grid) -> tuple[tuple[slice, slice], Float32] | None:
    """Return the rows and columns below a cover, and the share of each of these cells that it takes; None off the grid."""
    west, south, east, north = cover.geometry.bounds
    if not np.isfinite([west, south, east, north]).all():
        return None
    # A window on the lattice of the grid, one cell wider than the cover all round.
    left, right = ((x_m - grid.west_m) / grid.cell_m for x_m in (west, east))
    top, bottom = ((grid.north_m - y_m) / grid.cell_m for y_m in (north, south))
    left, top = max(int(np.floor(left)) - 1, 0), max(int(np.floor(top)) - 1, 0)
    right, bottom = min(int(np.ceil(right)) + 1, grid.columns), min(int(np.ceil(bottom)) + 1, grid.rows)
    if left >= right or top >= bottom:
        return None
    window = slice(top, bottom), slice(left, right)
    shape = bottom - top, right - left

    def burn(times: int, all_touched: bool) -> Float32:
        side_m = grid.cell_m / times
        burnt = rasterize(
            [(cover.geometry, 1)],
            out_shape=(shape[0] * times, shape[1] * times),
            transform=from_origin(grid.west_m + left * grid.cell_m, grid.north_m - top * grid.cell_m, side_m, side_m),
            all_touched=all_touched,
            merge_alg=MergeAlg.replace,
            dtype="uint8",
        )
        parts = np.asarray(burnt, dtype=np.float32).reshape(shape[0], times, shape[1], times)
        return np.asarray(parts.mean(axis=(1, 3)), dtype=np.float32)

    if not cover.is_building and _widths_m([cover])[0] < THIN_CELLS * grid.cell_m - 1e-9:
        times = SHARE_STEPS
        while times > 1 and shape[0] * shape[1] * times**2 > MOST_SHARE_CELLS:
            times //= 2
        return window, burn(times, all_touched=False)
    cells = burn(1, all_touched=False)
    expected = cover.geometry.area / grid.cell_m**2
    if cells.sum() < 0.5 * expected or not cells.any():
        cells = burn(1, all_touched=True)
    return window, cells
