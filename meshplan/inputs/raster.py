"""Elevation rasters: opened and judged by their header, then read only where the property lies."""

from __future__ import annotations

import math
import warnings as python_warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from affine import Affine
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS, Geod
from pyproj.exceptions import CRSError
from rasterio.enums import ColorInterp, MaskFlags, Resampling
from rasterio.errors import NotGeoreferencedWarning, RasterioError, RasterioIOError
from rasterio.io import DatasetReader
from rasterio.warp import reproject
from rasterio.windows import Window

from meshplan.errors import InputError
from meshplan.grid import Float32, Grid, RasterNodes
from meshplan.inputs.elevation_products import read_elevation_products
from meshplan.inputs.file_content import judge_opened, open_raster
from meshplan.inputs.height_datum import UNKNOWN, HeightDatum, datum_in_crs, datum_in_tags, datum_named
from meshplan.inputs.projection import is_metric
from meshplan.inputs.user_files import present_file
from meshplan.inputs.vector import WGS84, parse_crs, point_mover, reason_of
from meshplan.settings import RasterSettings
from meshplan.units import FOOT_M, US_SURVEY_FOOT_M

LOWEST_LAND_M = -500.0
HIGHEST_LAND_M = 9000.0
"""Heights outside are no land on Earth: −9999 and −32768 are voids even where the file does not say so."""

METRES_PER_UNIT = {"m": 1.0, "ft": FOOT_M, "us-ft": US_SURVEY_FOOT_M}
_UNIT_WORDS = {
    **dict.fromkeys(("m", "metre", "metres", "meter", "meters"), "m"),
    **dict.fromkeys(("ft", "foot", "feet", "international foot", "foot (international)"), "ft"),
    **dict.fromkeys(("us-ft", "us survey foot", "ussurveyfoot", "foot_us", "us foot", "ftus", "sfoot"), "us-ft"),
}
_PIXELS_AT_ONCE = 4_000_000
_PIXELS_JUDGED = 600
MOST_NODES = 20_000_000
"""Pixels of a raster finer than the grid that are kept beside it, some 0.8 GB while they are read: 22 km of 5 m, 9 km of 2 m."""
_PAD = 4
"""Pixels read beyond the edge of a band, so that interpolation has neighbours."""
_PIXELS_PER_CELL = 4
"""Far finer data are thinned on reading to so many pixels along a cell, and averaged after that."""
STRETCHED_FROM = 0.02
"""Share by which a projection's metres may differ from those of the ground before pixels are measured there; a transverse Mercator
zone stretches by 0.001 at most inside, by 0.01 one zone away (own arithmetic)."""
_GEOD = Geod(ellps="WGS84")


@dataclass(frozen=True)
class RasterHeader:
    """What the header of a raster says, and how meshplan takes it."""

    path: Path
    shown: str
    settings: RasterSettings
    crs: CRS
    transform: Affine
    width: int
    height: int
    unit: str
    notes: tuple[str, ...]
    unit_stated: bool = False
    """Whether the file or the user says the unit of the heights."""
    datum: HeightDatum = UNKNOWN
    """What the heights are above, as far as it is said."""

    @property
    def is_surface(self) -> bool:
        """Whether trees and roofs are in the heights."""
        return self.settings.holds == "surface"

    def pixel_of(self, lon_deg: ArrayLike, lat_deg: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return fractional column and row of points; 0 is the edge of the first pixel."""
        x, y = point_mover(WGS84, self.crs.to_wkt())(lon_deg, lat_deg)
        return apply_transform(~self.transform, x + self.turns(x), y)

    def turns(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the whole turns (0, ±360) that bring longitudes to the side of the Earth where the raster lies."""
        if not self.crs.is_geographic:
            return np.zeros_like(x)
        middle, _ = apply_transform(self.transform, self.width / 2, self.height / 2)
        return np.asarray(360.0 * np.round((middle - x) / 360.0))

    def covers(self, lon_deg: ArrayLike, lat_deg: ArrayLike) -> NDArray[np.bool_]:
        """Return which points lie inside the raster."""
        column, row = self.pixel_of(lon_deg, lat_deg)
        inside = (column >= 0) & (column <= self.width) & (row >= 0) & (row <= self.height)
        return np.asarray(inside, dtype=bool)

    def cell_m(self, lon_deg: float, lat_deg: float) -> float:
        """Return the size of a pixel on the ground at a place."""
        column, row = self.pixel_of(lon_deg, lat_deg)
        columns = np.array([float(column), float(column) + 1, float(column)])
        rows = np.array([float(row), float(row), float(row) + 1])
        x, y = apply_transform(self.transform, columns, rows)
        lon, lat = point_mover(self.crs.to_wkt(), WGS84)(x, y)
        _, _, side = _GEOD.inv([lon[0], lon[0]], [lat[0], lat[0]], lon[1:], lat[1:])
        return float(math.sqrt(abs(side[0] * side[1])))

    def steady_cell_m(self, lon_deg: float, lat_deg: float) -> float:
        """Return the size of a pixel that serves a whole neighbourhood: neighbours near the place find the same to the bit.

        The pixel itself where it counts in metres that are those of the ground (Mercator for the whole world stretches them by 1.46
        at 47°), else as it is on the nearest half degree; three digits.
        """
        near_m = self.cell_m(*(round(2.0 * value) / 2.0 for value in (lon_deg, lat_deg)))
        if is_metric(self.crs):
            own_m = math.sqrt(abs(self.transform.determinant))
            if not abs(near_m / own_m - 1.0) > STRETCHED_FROM:
                return float(f"{own_m:.6g}")
        return float(f"{near_m:.3g}")

    def corners_deg(self) -> tuple[float, float, float, float]:
        """Return west, south, east, north of the raster, roughly, for messages."""
        steps = np.linspace(0.0, 1.0, 11)
        across, down = (part.ravel() for part in np.meshgrid(steps * self.width, steps * self.height))
        lon, lat = point_mover(self.crs.to_wkt(), WGS84)(*apply_transform(self.transform, across, down))
        good = np.isfinite(lon) & np.isfinite(lat)
        if not good.any():
            return (-180.0, -90.0, 180.0, 90.0)
        return float(lon[good].min()), float(lat[good].min()), float(lon[good].max()), float(lat[good].max())


def as_products_hold(headers: Sequence[RasterHeader]) -> list[RasterHeader]:
    """Return the rasters with products that are known to hold trees and roofs as surface models, where no other holds bare ground.

    Only a product that property.toml names counts, and not where it says `holds` as well.
    """
    products = read_elevation_products()

    def hidden(header: RasterHeader) -> bool:
        said = header.settings
        product = products.get(said.product or "")
        return product is not None and product.holds == "surface" and "holds" not in said.model_fields_set

    if not any(map(hidden, headers)) or not all(hidden(header) or header.is_surface for header in headers):
        return list(headers)
    taken = []
    for header in headers:
        if not hidden(header):
            taken.append(header)
            continue
        note = (
            f"{header.shown}: {products[header.settings.product or ''].title} holds trees and roofs, so it is taken as a surface "
            "model and no cover is added on top; write holds = 'ground' below it if yours was freed of them."
        )
        settings = header.settings.model_copy(update={"holds": "surface"})
        taken.append(replace(header, settings=settings, notes=(*header.notes, note)))
    return taken


def apply_transform(transform: Affine, x: ArrayLike, y: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return where a transform puts points given as columns and rows."""
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    return (
        np.asarray(transform.a * x + transform.b * y + transform.c),
        np.asarray(transform.d * x + transform.e * y + transform.f),
    )


def open_header(path: Path, shown: str, settings: RasterSettings) -> RasterHeader:
    """Return what a raster says about itself; raise `InputError` if it cannot serve as elevation."""
    fault = present_file(path, shown, "elevation")
    if fault is not None:
        raise fault
    try:
        with python_warnings.catch_warnings():
            python_warnings.simplefilter("ignore", NotGeoreferencedWarning)
            with open_raster(path, shown) as source:
                judge_opened(source, path, shown)
                return _judge(source, path, shown, settings)
    except (RasterioError, RasterioIOError) as error:
        raise InputError(
            f"cannot be read as a raster ({reason_of(error, path, shown)})",
            where=shown,
            fix="Download or export it again, for example as GeoTIFF.",
        ) from error


def _judge(source: DatasetReader, path: Path, shown: str, settings: RasterSettings) -> RasterHeader:
    notes: list[str] = []
    if source.count < 1:
        raise InputError("holds no band", where=shown, fix="Name the file of the elevation band itself.")
    if np.dtype(source.dtypes[0]).kind not in "iuf":
        raise InputError(f"holds {source.dtypes[0]} values", where=shown, fix="Use a raster of heights.")
    if source.count > 1:
        looks = {source.colorinterp[index] for index in range(min(source.count, 3))}
        if looks >= {ColorInterp.red, ColorInterp.green}:
            raise InputError("is a picture, not a raster of heights", where=shown, fix="Use the elevation data themselves.")
        notes.append(f"{shown}: has {source.count} bands, the first is taken as height.")
    if not (math.isfinite(source.transform.determinant) and abs(source.transform.determinant) > 0.0):
        raise InputError("its pixels have no size", where=shown, fix="Export it again with its position and pixel size.")
    if source.transform == Affine.identity():
        raise InputError(
            "does not say where it lies",
            where=shown,
            fix="Put the world file beside it, or export it again with its position.",
        )
    crs = _crs_of(source, shown, settings, notes)
    if settings.holds == "surface":
        notes.append(f"{shown}: a surface model, trees and roofs are in its heights.")
    datum = _datum(source, shown, settings, notes)
    return RasterHeader(
        path,
        shown,
        settings,
        crs,
        source.transform,
        source.width,
        source.height,
        _unit(source, shown, settings, notes),
        tuple(notes),
        unit_stated="unit" in settings.model_fields_set or _stated_unit(source) is not None,
        datum=datum,
    )


def _datum(source: DatasetReader, shown: str, settings: RasterSettings, notes: list[str]) -> HeightDatum:
    own = UNKNOWN
    if source.crs is not None:
        try:
            own = datum_in_crs(CRS.from_wkt(source.crs.to_wkt()))
        except CRSError:
            own = UNKNOWN
    if own.kind == "not known":
        own = datum_in_tags(source.tags())
    where = f"property.toml, elevation '{settings.file}', key 'datum'"
    if settings.datum is not None:
        stated = datum_named(settings.datum, where, "property.toml")
        if own.kind != "not known" and (own.kind, own.name) != (stated.kind, stated.name):
            notes.append(f"{shown}: says heights above {own.words}, property.toml says {stated.name}, which is taken.")
        return stated
    if own.kind == "not known" and settings.product is not None:
        product = read_elevation_products().get(settings.product)
        if product is not None and product.datum:
            return datum_named(product.datum, where, f"usual for {product.title}")
    return own


def _crs_of(source: DatasetReader, shown: str, settings: RasterSettings, notes: list[str]) -> CRS:
    own: CRS | None = None
    if source.crs is not None:
        try:
            own = CRS.from_wkt(source.crs.to_wkt())
        except CRSError:
            own = None
    if settings.crs is not None:
        stated = parse_crs(settings.crs, f"property.toml, elevation '{settings.file}', key 'crs'")
        if own is not None and own != stated and own.to_2d() != stated:
            notes.append(f"{shown}: says the projection {own.name}, property.toml says {stated.name}, which is taken.")
        return stated
    if own is None:
        raise InputError(
            "does not say its projection",
            where=shown,
            fix='Add crs = "EPSG:…" below its file name in property.toml, as its supplier states it.',
        )
    if own.is_compound:
        own = own.sub_crs_list[0]
    if len(own.axis_info) == 3:
        own = own.to_2d()
    if not (own.is_projected or own.is_geographic):
        raise InputError(
            f"its projection '{own.name}' is tied to no place on Earth",
            where=shown,
            fix='Add crs = "EPSG:…" below its file name in property.toml.',
        )
    return own


def _stated_unit(source: DatasetReader) -> str | None:
    """Return the unit that the band says, else that of the vertical part of the projection; None where neither does."""
    stated = _UNIT_WORDS.get((source.units[0] or "").strip().casefold())
    if stated is not None or source.crs is None:
        return stated
    try:
        own = CRS.from_wkt(source.crs.to_wkt())
    except CRSError:
        return None
    axes = [axis for part in own.sub_crs_list if part.is_vertical for axis in part.axis_info]
    return _UNIT_WORDS.get(axes[0].unit_name.strip().casefold()) if axes else None


def _unit(source: DatasetReader, shown: str, settings: RasterSettings, notes: list[str]) -> str:
    stated = _stated_unit(source)
    if "unit" in settings.model_fields_set:
        if stated is not None and stated != settings.unit:
            notes.append(f"{shown}: says heights in {stated}, property.toml says {settings.unit}, which is taken.")
        return settings.unit
    if stated is not None and stated != settings.unit:
        notes.append(f"{shown}: heights in {stated}, as the file says, turned into metres.")
        return stated
    if stated is None and source.crs is not None and "foot" in (source.crs.linear_units or "").casefold():
        notes.append(
            f"{shown}: its projection is in feet, and it does not say the unit of its heights: TAKEN AS METRES. If they are feet, "
            "write unit = 'ft' below it in property.toml."
        )
    return settings.unit


def read_on_grid(header: RasterHeader, grid: Grid, source_cell_m: float) -> Float32:
    """Return the heights of one raster on the grid, NaN where it has none.

    Notes
    -----
    Coarser data are interpolated bilinearly; finer data are averaged over the cell. A cell is known if the pixel below its
    centre is known (interpolated), or if at least half of it is (averaged). Work goes in bands of rows, so memory does not grow
    with the file.
    """
    heights = np.full(grid.shape, np.nan, dtype=np.float32)
    ratio = min(max(1.0, grid.cell_m / source_cell_m), 2.0 * _PIXELS_PER_CELL)
    band_rows = max(1, int(_PIXELS_AT_ONCE / ratio**2 / grid.columns))
    try:
        with python_warnings.catch_warnings():
            python_warnings.simplefilter("ignore", NotGeoreferencedWarning)
            with open_raster(header.path, header.shown) as source:
                for first in range(0, grid.rows, band_rows):
                    rows = min(band_rows, grid.rows - first)
                    band = Grid(grid.crs, grid.west_m, grid.north_m - first * grid.cell_m, grid.cell_m, grid.columns, rows)
                    heights[first : first + rows] = _read_band(source, header, band, source_cell_m)
    except RasterioIOError as error:
        raise InputError(
            "is damaged: its heights cannot be read",
            where=header.shown,
            fix="Download or copy the file again.",
        ) from error
    return heights


def _read_band(source: DatasetReader, header: RasterHeader, band: Grid, source_cell_m: float) -> Float32:
    result = np.full(band.shape, np.nan, dtype=np.float32)
    window, turns = _window(header, band)
    if window is None:
        return result
    step = max(1, int(band.cell_m / source_cell_m / _PIXELS_PER_CELL))
    thinning = Resampling.average if step > 1 and _says_its_voids(source) else Resampling.nearest
    shape = (math.ceil(window.height / step), math.ceil(window.width / step))
    data = source.read(1, window=window, out_shape=shape, masked=True, resampling=thinning)
    heights = _cleaned(data, source.scales[0], source.offsets[0], METRES_PER_UNIT[header.unit])
    if np.isnan(heights).all():
        return result
    averaged = band.cell_m > 1.01 * source_cell_m
    for turn in turns:
        turned = _warped(heights, _of_window(header.transform, window, shape, -turn), header.crs, band, averaged=averaged)
        fill = np.isnan(result)
        result[fill] = turned[fill]
    return result


def read_nodes(header: RasterHeader, grid: Grid, cell_m: float, *, smooth: bool = True) -> RasterNodes | None:
    """Return the pixels of a raster below the grid as they are; None where the grid lies on them or holds means of them.

    The grid of a wide property is coarser than the data; links do not feel it as long as the pixels fit the memory. With `smooth`
    means are what the user asked for. Where a raster lies on both sides of the antimeridian only the grid knows it as one.
    """
    same = CRS.from_user_input(grid.crs) == header.crs
    averaged = grid.cell_m > 1.01 * cell_m
    if (averaged and smooth) or (not averaged and same and _lies_on(header, grid)):
        return None
    window, turns = _window(header, grid)
    if window is None or len(turns) != 1 or (averaged and window.width * window.height > MOST_NODES):
        return None
    with open_raster(header.path, header.shown) as source:
        data = source.read(1, window=window, masked=True)
        heights = _cleaned(data, source.scales[0], source.offsets[0], METRES_PER_UNIT[header.unit])
    back = ~header.transform
    return RasterNodes(
        heights_m=heights,
        crs=header.crs.to_wkt(),
        same_crs=bool(same),
        to_column=(float(back.a), float(back.b), float(back.c) - 0.5),
        to_row=(float(back.d), float(back.e), float(back.f) - 0.5),
        first_column=int(window.col_off),
        first_row=int(window.row_off),
        turn_deg=float(turns[0]),
        spacing_m=_spacing_m(header, grid, cell_m),
    )


def read_pixels(header: RasterHeader, grid: Grid) -> NDArray[np.float64]:
    """Return pixels of a raster below the middle of the grid in metres, as they stand in the file; NaN where it marks none known.

    Unlike the heights on the grid these hold what cannot be land, for `height_sense`.
    """
    window, _ = _window(header, grid)
    if window is None:
        return np.empty((0, 0))
    width, height = (int(min(size, _PIXELS_JUDGED)) for size in (window.width, window.height))
    column, row = window.col_off + (window.width - width) // 2, window.row_off + (window.height - height) // 2
    with python_warnings.catch_warnings():
        python_warnings.simplefilter("ignore", NotGeoreferencedWarning)
        with open_raster(header.path, header.shown) as source:
            data = source.read(1, window=Window(column, row, width, height), masked=True)
            raw = np.ma.filled(data.astype(np.float64), np.nan)
            pixels = (raw * source.scales[0] + source.offsets[0]) * METRES_PER_UNIT[header.unit]
    return np.where(np.isfinite(pixels), pixels, np.nan)


def _lies_on(header: RasterHeader, grid: Grid) -> bool:
    """Whether the cells of the grid are pixels of the raster."""
    t = header.transform
    if not (math.isclose(t.a, grid.cell_m, rel_tol=1e-9) and math.isclose(-t.e, grid.cell_m, rel_tol=1e-9) and t.b == t.d == 0):
        return False
    across, down = (grid.west_m - t.c) / grid.cell_m, (t.f - grid.north_m) / grid.cell_m
    return abs(across - round(across)) < 1e-6 and abs(down - round(down)) < 1e-6


def _spacing_m(header: RasterHeader, grid: Grid, cell_m: float) -> tuple[float, float]:
    """Return metres from column to column and from row to row; of `cell_m` the geometric mean."""
    t = header.transform
    across, down = math.hypot(t.a, t.d), math.hypot(t.b, t.e)
    if header.crs.is_geographic:
        _, lat = point_mover(grid.crs, WGS84)(*grid.x_y(grid.columns / 2, grid.rows / 2))
        across *= math.cos(math.radians(round(2.0 * float(lat)) / 2.0))
    scale = cell_m / math.sqrt(across * down)
    return across * scale, down * scale


def _warped(heights: Float32, transform: Affine, crs: CRS, band: Grid, *, averaged: bool) -> Float32:
    """Return heights on the band; a cell is known only where enough of the data below it is."""
    where = {
        "src_transform": transform,
        "src_crs": crs.to_wkt(),
        "dst_transform": Affine(band.cell_m, 0.0, band.west_m, 0.0, -band.cell_m, band.north_m),
        "dst_crs": CRS.from_user_input(band.crs).to_wkt(),
        "tolerance": 0.01,
        # without these GDAL guesses a scale from the window and, on a narrow one, smooths as if it were downsampling
        "XSCALE": "1",
        "YSCALE": "1",
    }
    result = np.full(band.shape, np.nan, dtype=np.float32)
    way = Resampling.average if averaged else Resampling.bilinear
    reproject(heights, result, src_nodata=np.nan, dst_nodata=np.nan, resampling=way, **where)
    share = np.zeros(band.shape, dtype=np.float32)
    way = Resampling.average if averaged else Resampling.nearest
    reproject(np.isfinite(heights).astype(np.float32), share, resampling=way, **where)
    result[share < 0.5] = np.nan
    return result


def _of_window(whole: Affine, window: Window, shape: tuple[int, int], shift: float) -> Affine:
    """Return the transform of a part of a raster that was read into `shape`, turned by `shift` degrees."""
    corner_x, corner_y = apply_transform(whole, window.col_off, window.row_off)
    across, down = window.width / shape[1], window.height / shape[0]
    return Affine(whole.a * across, whole.b * down, float(corner_x) + shift, whole.d * across, whole.e * down, float(corner_y))


def _says_its_voids(source: DatasetReader) -> bool:
    """Whether voids can be told apart before averaging; otherwise −9999 would leak into its neighbours."""
    return MaskFlags.all_valid not in source.mask_flag_enums[0]


def _cleaned(data: Any, scale: float, offset: float, metres_per_unit: float) -> Float32:
    """Return heights in metres, NaN for every kind of void."""
    raw = np.ma.getdata(data).astype(np.float64)
    heights = (raw * scale + offset) * metres_per_unit
    void = np.ma.getmaskarray(data) | ~np.isfinite(heights) | (heights < LOWEST_LAND_M) | (heights > HIGHEST_LAND_M)
    heights[void] = np.nan
    return np.asarray(heights, dtype=np.float32)


def _window(header: RasterHeader, band: Grid) -> tuple[Window | None, tuple[float, ...]]:
    """Return the part of the raster below a band, and the turns by which its longitudes differ from ours."""
    across = np.linspace(0, band.columns, 22) - 0.5
    down = np.linspace(0, band.rows, 22) - 0.5
    columns, rows = np.meshgrid(across, down)
    lon, lat = point_mover(band.crs, WGS84)(*band.x_y(columns.ravel(), rows.ravel()))
    x, y = point_mover(WGS84, header.crs.to_wkt())(lon, lat)
    turns = header.turns(x)
    column, row = apply_transform(~header.transform, x + turns, y)
    good = np.isfinite(column) & np.isfinite(row)
    if not good.any():
        return None, ()
    left, right = max(0, math.floor(column[good].min()) - _PAD), min(header.width, math.ceil(column[good].max()) + _PAD)
    top, bottom = max(0, math.floor(row[good].min()) - _PAD), min(header.height, math.ceil(row[good].max()) + _PAD)
    if right <= left or bottom <= top:
        return None, ()
    return Window(left, top, right - left, bottom - top), tuple(np.unique(turns[good]).tolist())


def outside_hint(headers: Sequence[RasterHeader]) -> str:
    """Return where the elevation data reach, in words."""
    boxes = [header.corners_deg() for header in headers]
    west, south = min(box[0] for box in boxes), min(box[1] for box in boxes)
    east, north = max(box[2] for box in boxes), max(box[3] for box in boxes)
    return f"lon {west:.4f} to {east:.4f}, lat {south:.4f} to {north:.4f}"
