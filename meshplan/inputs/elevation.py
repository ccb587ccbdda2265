"""Elevation on the working grid: rasters laid over each other, finest first, with what is known about their errors."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pyproj import Transformer

from meshplan.errors import InputError, MeshplanError, raise_faults
from meshplan.grid import Elevation, Float32, Grid, RasterNodes, RasterNote
from meshplan.inputs.columns import plain
from meshplan.inputs.elevation_products import ElevationProduct, elevation_product
from meshplan.inputs.height_datum import lattice, level, shift_m, spread_over
from meshplan.inputs.height_sense import factor_fault, impossible_heights, odd_heights
from meshplan.inputs.raster import RasterHeader, apply_transform, read_nodes, read_on_grid, read_pixels
from meshplan.inputs.surface_check import CheckedSurface, checked_surface
from meshplan.inputs.vector import WGS84, point_mover

Floats = NDArray[np.float64]

NO_RASTER = 255
AVERAGED_FROM = 1.01
"""A grid coarser than this many cells of a raster holds means of it."""
_NOTABLE_STEP_M = 2.0
UNUSED = "gives nothing here: it does not reach the property, or finer data are known everywhere"


@dataclass
class _Mosaic:
    """Heights laid together so far, finest first."""

    heights: Float32
    index: NDArray[np.uint8]
    steps: list[str]
    names: list[str]

    @classmethod
    def empty(cls, grid: Grid) -> _Mosaic:
        return cls(np.full(grid.shape, np.nan, dtype=np.float32), np.full(grid.shape, NO_RASTER, dtype=np.uint8), [], [])

    def add(self, heights: Float32, place: int, shown: str, error_m: float) -> float:
        """Fill what is still unknown; return the share of the grid that was filled."""
        self._compare(heights, shown, error_m)
        fill = np.isnan(self.heights) & np.isfinite(heights)
        self.heights[fill] = heights[fill]
        self.index[fill] = min(place, NO_RASTER - 1)
        self.names.append(shown)
        return float(fill.mean())

    def _compare(self, heights: Float32, shown: str, error_m: float) -> None:
        """Tell of a raster that does not agree with finer ones: another height datum, or a wrong unit."""
        difference = heights - self.heights
        known = difference[np.isfinite(difference)]
        step_m = float(np.median(known)) if known.size else 0.0
        if abs(step_m) > max(_NOTABLE_STEP_M, 2.0 * error_m):
            self.steps.append(
                f"{shown} stands {plain(round(abs(step_m), 1))} m {'above' if step_m > 0 else 'below'} the finer data where they "
                "overlap: another height datum or unit? Heights were not changed."
            )


def read_elevation(headers: Sequence[RasterHeader], grid: Grid, *, smooth: bool = True) -> Elevation:
    """Return the heights on the grid, each cell from the finest raster that knows it.

    Ground and surface rasters are laid together apart. Faults of all rasters are raised together. With `smooth` a grid coarser than
    the data was asked for, and links go over its means.
    """
    lon, lat = point_mover(grid.crs, WGS84)(*grid.x_y(grid.columns / 2, grid.rows / 2))
    sized = sorted(
        ((header.steady_cell_m(float(lon), float(lat)), index, header) for index, header in enumerate(headers)),
        key=lambda item: item[:2],
    )
    ground, surface = _Mosaic.empty(grid), _Mosaic.empty(grid)
    notes: list[RasterNote] = []
    nodes: list[RasterNodes | None] = []
    warnings: list[str] = []
    faults: list[MeshplanError] = []
    ground_is_surface = all(header.is_surface for header in headers)
    levelling = level([header.shown for _, _, header in sized], [header.datum for _, _, header in sized])
    raise_faults(levelling.faults)
    for place, (cell_m, _, header) in enumerate(sized):
        try:
            product = elevation_product(cell_m, header.settings.product, f"property.toml, elevation '{header.settings.file}'")
            heights = read_on_grid(header, grid, cell_m)
            shift = levelling.shifts[place]
            if shift is not None:
                heights = heights + _shift_on(grid.shape, shift, partial(_grid_degrees, grid), header)
        except MeshplanError as fault:
            faults.append(fault)
            continue
        pixels = read_pixels(header, grid)
        wrong = impossible_heights(pixels, header.shown)
        if wrong is not None:
            faults.append(wrong)
            continue
        warnings += odd_heights(
            pixels, cell_m, header.shown, unit=header.unit, unit_stated=header.unit_stated, is_surface=header.is_surface
        )
        mosaic = surface if header.is_surface else ground
        wrong = factor_fault(mosaic.heights, heights, mosaic.names, header.shown)
        if wrong is not None:
            faults.append(wrong)
            continue
        share = mosaic.add(heights, place, header.shown, _error_m(header, product))
        notes.append(_note(header, cell_m, product, grid.cell_m, share))
        gives_ground = share > 0.0 and (ground_is_surface or not header.is_surface)
        read = read_nodes(header, grid, cell_m, smooth=smooth) if gives_ground else None
        if read is not None and shift is not None:
            more_m = _shift_on(read.heights_m.shape, shift, partial(_node_degrees, read, header), header)
            read = replace(read, heights_m=read.heights_m + more_m)
        nodes.append(read)
    if not ground_is_surface and surface.names:
        wrong = factor_fault(ground.heights, surface.heights, ground.names, ", ".join(surface.names))
        faults += [] if wrong is None else [wrong]
    raise_faults(faults)
    seen = CheckedSurface(surface.heights, 0.0) if ground_is_surface else _seen(ground, surface, notes)
    raise_faults([] if seen.fault is None else [seen.fault])
    has_surface = any(header.is_surface for header in headers)
    taken = surface if ground_is_surface else ground
    return Elevation(
        grid=grid,
        ground_amsl_m=taken.heights,
        surface_amsl_m=seen.heights if has_surface else None,
        raster_index=taken.index,
        rasters=tuple(notes),
        ground_is_surface=ground_is_surface,
        assumptions=(
            *levelling.notes,
            *_assumptions(taken, surface, ground_is_surface=ground_is_surface),
            *seen.notes,
        ),
        nodes=tuple(nodes),
        warnings=(*warnings, *seen.warnings),
        sampled_as_m=_sampled_as_m(taken, notes, nodes, grid),
        surface_error_m=seen.error_m,
    )


def _seen(ground: _Mosaic, surface: _Mosaic, notes: Sequence[RasterNote]) -> CheckedSurface:
    """Return the surface as far as it may be taken less the ground."""
    cells_m, errors_m = [note.cell_m for note in notes], [note.error_m for note in notes]
    shown = ", ".join(surface.names)
    return checked_surface(ground.heights, surface.heights, ground.index, surface.index, cells_m, errors_m, shown)


def _grid_degrees(grid: Grid, row: Floats, column: Floats) -> tuple[Floats, Floats]:
    return point_mover(grid.crs, WGS84)(*grid.x_y(column, row))


def _node_degrees(nodes: RasterNodes, header: RasterHeader, row: Floats, column: Floats) -> tuple[Floats, Floats]:
    x, y = apply_transform(header.transform, column + nodes.first_column + 0.5, row + nodes.first_row + 0.5)
    return point_mover(header.crs.to_wkt(), WGS84)(x, y)


def _shift_on(
    shape: tuple[int, ...], shift: Transformer, degrees: Callable[[Floats, Floats], tuple[Floats, Floats]], header: RasterHeader
) -> Float32:
    """Return what is added to the heights of a raster of that shape so that they count from the datum of the others."""
    rows, columns = shape
    lon, lat = degrees(*lattice((rows, columns)))
    known = shift_m(shift, lon, lat)
    if not np.isfinite(known).all():
        raise InputError(
            "holds heights above the ellipsoid, and the grid of PROJ that would turn them does not reach here",
            where=header.shown,
            fix="Use rasters of one height datum.",
        )
    return spread_over((rows, columns), known)


def _sampled_as_m(taken: _Mosaic, notes: Sequence[RasterNote], nodes: Sequence[RasterNodes | None], grid: Grid) -> float:
    """Return the cell of the raster in the middle of the grid, or of the finest one used; never finer than an averaged grid."""
    number = int(taken.index[grid.rows // 2, grid.columns // 2])
    used = [note.cell_m for note in notes if note.share_of_grid > 0.0]
    cell_m = notes[number].cell_m if number < len(notes) else min(used, default=grid.cell_m)
    if number < len(nodes) and nodes[number] is not None:
        return cell_m
    return max(cell_m, grid.cell_m) if grid.cell_m > AVERAGED_FROM * cell_m else cell_m


def _assumptions(taken: _Mosaic, surface: _Mosaic, *, ground_is_surface: bool) -> list[str]:
    notes: list[str] = []
    if ground_is_surface:
        notes.append(
            "Only a surface model is given: trees and roofs are taken as ground, so heights of antennas under trees are too great "
            "and woods are not counted again. A bare-earth model would be better."
        )
    notes.extend(dict.fromkeys([*taken.steps, *surface.steps]))
    share_known = float(np.isfinite(taken.heights).mean())
    if share_known < 1.0:
        notes.append(f"Heights are not known on {_percent(1.0 - share_known)} of the grid; links that cross it cannot be judged.")
    return notes


def _error_m(header: RasterHeader, product: ElevationProduct) -> float:
    given = header.settings.error_m
    return given if given is not None else product.error_m.value


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.01 else "less than 1 %"


def _note(header: RasterHeader, cell_m: float, product: ElevationProduct, grid_cell_m: float, share: float) -> RasterNote:
    settings = header.settings
    error_m = _error_m(header, product)
    holds = "bare earth" if settings.holds == "ground" else "surface with trees and roofs"
    growth = product.slope_growth.value if settings.error_m is None else 0.0
    why = f"{product.title}, as you state" if settings.product else f"taken for: {product.title}, from its cell size, check it"
    standing = "as you state" if settings.error_m is not None else f"more on slopes; {why}"
    ways = {"averaged to": grid_cell_m > AVERAGED_FROM * cell_m, "interpolated to": grid_cell_m < 0.99 * cell_m}
    way = next((words for words, fits in ways.items() if fits), "on")
    sentence = (
        f"{header.shown}: {holds}, cells of {cell_m:.3g} m {way} {plain(grid_cell_m)} m, gives {_percent(share)} of the grid; "
        f"height error ± {plain(error_m)} m ({standing})."
    )
    return RasterNote(
        file=header.shown,
        holds=settings.holds,
        cell_m=cell_m,
        error_m=error_m,
        error_length_m=settings.error_length_m or product.length_m.value,
        share_of_grid=share,
        sentence=sentence if share else f"{header.shown}: {UNUSED}.",
        slope_growth=growth,
        noise_m=product.noise_m.value,
    )


def known_at(elevation: Elevation, x_m: ArrayLike, y_m: ArrayLike) -> NDArray[np.bool_]:
    """Return where all cells that an interpolated height would use are known."""
    column, row = elevation.grid.column_row(x_m, y_m)
    rows, columns = elevation.grid.shape
    inside = (column >= -0.5) & (column <= columns - 0.5) & (row >= -0.5) & (row <= rows - 0.5)
    known = inside.copy()
    for shift_row in (np.floor, np.ceil):
        for shift_column in (np.floor, np.ceil):
            at_row = np.clip(shift_row(row), 0, rows - 1).astype(int)
            at_column = np.clip(shift_column(column), 0, columns - 1).astype(int)
            known &= np.isfinite(elevation.ground_amsl_m[at_row, at_column])
    return np.asarray(known, dtype=bool)
