"""Land-cover rasters as cover, by the legend of their product, and canopy-height rasters on the working grid."""

from __future__ import annotations

import math
import warnings as python_warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
import shapely
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.exceptions import CRSError
from rasterio.enums import Resampling
from rasterio.errors import NotGeoreferencedWarning, RasterioError, RasterioIOError
from rasterio.features import shapes
from rasterio.io import DatasetReader
from rasterio.warp import reproject
from rasterio.windows import Window

from meshplan.errors import InputError, MeshplanError, nearest_name
from meshplan.grid import Float32, Grid
from meshplan.inputs.columns import plain
from meshplan.inputs.file_content import judge_opened, open_raster
from meshplan.inputs.legends import BUILT, NONE, OPEN, OWN_LEGENDS, Legend, read_legends
from meshplan.inputs.raster import apply_transform
from meshplan.inputs.user_files import present_file
from meshplan.inputs.vector import move_geometry, parse_crs, reason_of
from meshplan.records import Cover, Origin
from meshplan.settings import CoverRasterSettings, LandCoverSettings

MOST_CELLS: Final = 4_000_000
MOST_TREE_M: Final = 120.0
"""No tree is taller (the tallest known is about 116 m, from memory); 255 and the like mark cells that are not known."""
CANOPY_ERROR: Final = "published errors of such maps are 3 to 6 m (Pauls and others 2024: RMSE 4.7 m; check)"


@dataclass
class RasterCover:
    """What land-cover and canopy rasters say, on the grid."""

    covers: list[Cover] = field(default_factory=list)
    accounted: list[shapely.Geometry] = field(default_factory=list)
    """Where a class tells what stands there, on the grid."""
    canopy_m: Float32 | None = None
    notes: list[str] = field(default_factory=list)
    credits: list[str] = field(default_factory=list)
    faults: list[MeshplanError] = field(default_factory=list)


def read_cover_rasters(folder: Path, settings: LandCoverSettings, land: shapely.Geometry, grid: Grid) -> RasterCover:
    """Return cover and canopy of the rasters that property.toml names; what cannot be read is among the faults.

    Parameters
    ----------
    folder, settings
        Where they lie, and which.
    land : polygon
        The land in the projection of the grid.
    grid : Grid
        For canopy heights.
    """
    found = RasterCover()
    if not settings.classes and not settings.canopy:
        return found
    legends: dict[str, Legend] = {}
    try:
        legends = read_legends(folder) if settings.classes else {}
    except MeshplanError as fault:
        found.faults.append(fault)
        return found
    for raster in settings.classes:
        try:
            _add_classes(folder, raster, _legend_of(raster, legends), land, grid.crs, found)
        except MeshplanError as fault:
            found.faults.append(fault)
    for raster in settings.canopy:
        try:
            _add_canopy(folder, raster, grid, found)
        except MeshplanError as fault:
            found.faults.append(fault)
    return found


def _legend_of(raster: CoverRasterSettings, legends: Mapping[str, Legend]) -> Legend:
    where = f"property.toml, land_cover.classes '{raster.file}'"
    fix = f"Write legend = one of: {', '.join(legends)}; or put your own into {OWN_LEGENDS}."
    if raster.legend is not None:
        if raster.legend not in legends:
            raise InputError(
                f"the legend '{raster.legend}' is not known.{nearest_name(raster.legend, list(legends))}", where=where, fix=fix
            )
        return legends[raster.legend]
    named = [legend for legend in legends.values() if any(word in raster.file.casefold() for word in legend.files)]
    if len(named) != 1:
        raise InputError("its legend is not told, and its name does not say it", where=where, fix=fix)
    return named[0]


@contextmanager
def _opened(path: Path, shown: str, key: str) -> Iterator[DatasetReader]:
    fault = present_file(path, shown, key)
    if fault is not None:
        raise fault
    try:
        with python_warnings.catch_warnings():
            python_warnings.simplefilter("ignore", NotGeoreferencedWarning)
            with open_raster(path, shown) as source:
                judge_opened(source, path, shown)
                yield source
    except (RasterioError, RasterioIOError) as error:
        raise InputError(
            f"cannot be read as a raster ({reason_of(error, path, shown)})", where=shown, fix="Download or export it again."
        ) from error


def _crs_of(source: DatasetReader, raster: CoverRasterSettings, where: str) -> CRS:
    if raster.crs is not None:
        return parse_crs(raster.crs, f"{where}, key 'crs'")
    try:
        if source.crs is not None:
            return CRS.from_wkt(source.crs.to_wkt())
    except CRSError:
        pass
    raise InputError("does not say its projection", where=raster.file, fix='Add crs = "EPSG:…" beside its file name.')


def _add_classes(
    folder: Path, raster: CoverRasterSettings, legend: Legend, land: shapely.Geometry, grid_crs: str, found: RasterCover
) -> None:
    with _opened(folder / raster.file, raster.file, "land_cover.classes") as source:
        if np.dtype(source.dtypes[0]).kind not in "iu":
            raise InputError("holds no whole numbers, so no classes", where=raster.file, fix="Use the raster of classes itself.")
        crs = _crs_of(source, raster, "property.toml, land_cover.classes")
        window = _window(source, move_geometry(land.segmentize(500.0), grid_crs, crs.to_wkt()), raster.file)
        values = source.read(1, window=window, masked=True)
        transform: Affine = source.window_transform(window)
    codes = np.ma.filled(values.astype(np.int64), -1)
    present = {int(code): int(count) for code, count in zip(*np.unique(codes[codes >= 0], return_counts=True), strict=True)}
    unknown = sorted(set(present) - set(legend.classes))
    if unknown and sum(present[code] for code in unknown) > 0.5 * codes.size:
        raise InputError(
            f"most of its cells hold values that {legend.title} does not have ({', '.join(map(str, unknown[:5]))})",
            where=raster.file,
            fix="Name the legend that it has, or write your own into legends.toml.",
        )
    taken = []
    for code in sorted(set(present) & set(legend.classes)):
        one = legend.classes[code]
        area = _patches(codes == code, transform)
        if one.kind in (NONE, BUILT) or area.is_empty:
            continue
        moved = shapely.make_valid(move_geometry(area, crs.to_wkt(), grid_crs))
        found.accounted.append(moved)
        taken.append(f"{one.means.split(';')[0].split(',')[0]} {100.0 * present[code] / codes.size:.0f} %")
        if one.kind != OPEN:
            name = f"{one.means.split(';')[0].split(',')[0]} of {legend.title}"
            found.covers.append(
                Cover(name, one.kind, moved, one.height_m, where=f"{raster.file}, class {code}", origin=Origin.CLASSES)
            )
    right = f"; about {100.0 * (1.0 - legend.share_right):.0f} % of its cells have the wrong class" if legend.share_right else ""
    found.notes.append(
        f"{raster.file}: {legend.title}: {', '.join(taken) or 'nothing known here'}; heights usual for a class{right}."
    )
    if unknown:
        found.notes.append(f"{raster.file}: values without a meaning are left out: {', '.join(map(str, unknown[:10]))}.")
    if legend.credit:
        found.credits.append(legend.credit)


def _window(source: DatasetReader, land: shapely.Geometry, shown: str) -> Window:
    x, y = shapely.get_coordinates(land).T
    column, row = apply_transform(~source.transform, x, y)
    if not np.isfinite([*column, *row]).all():
        raise InputError("its projection does not reach here", where=shown, fix="Use the tile of this place, or take it out.")
    left, right = max(0, math.floor(column.min())), min(source.width, math.ceil(column.max()))
    top, bottom = max(0, math.floor(row.min())), min(source.height, math.ceil(row.max()))
    if right <= left or bottom <= top:
        raise InputError("does not reach the property", where=shown, fix="Use the tile of this place, or take it out.")
    window = Window(left, top, right - left, bottom - top)
    if window.width * window.height > MOST_CELLS:
        raise InputError(
            f"has {window.width * window.height / 1e6:.0f} million cells here",
            where=shown,
            fix="Export it with cells of 5 m or more.",
        )
    return window


def _patches(where: NDArray[np.bool_], transform: Affine) -> shapely.Geometry:
    found = [shapely.geometry.shape(shape) for shape, _ in shapes(where.astype(np.uint8), mask=where, transform=transform)]
    return shapely.MultiPolygon(found) if found else shapely.MultiPolygon()


def _add_canopy(folder: Path, raster: CoverRasterSettings, grid: Grid, found: RasterCover) -> None:
    with _opened(folder / raster.file, raster.file, "land_cover.canopy") as source:
        crs = _crs_of(source, raster, "property.toml, land_cover.canopy")
        corners = shapely.box(grid.west_m, grid.south_m, grid.east_m, grid.north_m).segmentize(500.0)
        window = _window(source, move_geometry(corners, grid.crs, crs.to_wkt()), raster.file)
        data = source.read(1, window=window, masked=True)
        heights = np.ma.filled(data.astype(np.float32), np.nan) * np.float32(source.scales[0]) + np.float32(source.offsets[0])
        transform: Affine = source.window_transform(window)
    heights[(heights < 0.0) | (heights > MOST_TREE_M)] = np.nan
    laid = np.full(grid.shape, np.nan, dtype=np.float32)
    reproject(
        heights,
        laid,
        src_transform=transform,
        src_crs=crs.to_wkt(),
        dst_transform=Affine(grid.cell_m, 0.0, grid.west_m, 0.0, -grid.cell_m, grid.north_m),
        dst_crs=CRS.from_user_input(grid.crs).to_wkt(),
        src_nodata=np.nan,
        dst_nodata=np.nan,
        resampling=Resampling.nearest,
    )
    known = float(np.isfinite(laid).mean())
    if found.canopy_m is None:
        found.canopy_m = laid
    else:
        found.canopy_m = np.where(np.isfinite(found.canopy_m), found.canopy_m, laid)
    highest = plain(round(float(np.nanmax(laid)), 1)) if known else "0"
    found.notes.append(
        f"{raster.file}: heights of trees on {100.0 * known:.0f} % of the land, highest {highest} m; {CANOPY_ERROR}. No such map "
        "shows leaf loss, felling since, or buildings."
    )


def measured_rasters(settings: LandCoverSettings) -> Sequence[str]:
    """Return the files of land cover and canopy that property.toml names."""
    return [raster.file for raster in (*settings.classes, *settings.canopy)]
