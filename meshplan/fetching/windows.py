"""A piece of a remote raster: its header is judged, the blocks under the land are read, and a small GeoTIFF is made of them."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Final

import numpy as np
import rasterio
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from pyproj.crs import CompoundCRS
from pyproj.exceptions import CRSError, ProjError
from rasterio.enums import MaskFlags
from rasterio.errors import NotGeoreferencedWarning, RasterioError
from rasterio.io import DatasetReader, MemoryFile
from rasterio.windows import Window

from meshplan.fetching.addresses import ANOTHER, shown_address
from meshplan.fetching.faults import FetchError
from meshplan.fetching.remote_file import RemoteFile, opener_for
from meshplan.records.land import Box, Gives, LandSource

PAD: Final = 4
"""Pixels beyond the land on each side, so that interpolation has neighbours."""
MOST_PIXELS: Final = 60_000_000
MOST_BLOCK_PIXELS: Final = 16_777_216
"""Usual blocks have 256 to 2048 cells a side; a block is unpacked whole."""
_NAME: Final = "land.tif"
_TIFF: Final = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_OUTSIDE_CELLS: Final = 8
"""A tile may reach past its degrees, or fall short of them, by so many cells: some overlap, some begin half a cell off."""


@dataclass(frozen=True)
class Piece:
    """A piece of a raster as the bytes of a GeoTIFF."""

    data: bytes
    box: Box
    """The land that it covers."""
    cell_deg_or_m: float
    columns: int
    rows: int
    known_share: float
    """Share of its pixels that hold a value."""
    height_datum: str
    """As the file itself says it; empty where it says nothing."""
    note: str = ""


def read_piece(remote: RemoteFile, source: LandSource, box: Box, *, tile_box: Box | None = None) -> Piece | None:
    """Return the part of a remote raster over a box of degrees; None where it does not reach there.

    Only the header and the blocks under the box are asked for. What is no such raster, lies elsewhere than it should or has another
    projection than its source says is a `FetchError`; so is whatever the way to the server brought.
    """
    shown = shown_address(remote.url)
    try:
        if not remote.read_at(0, 4).startswith(_TIFF):
            raise FetchError(_what_it_is(remote.read_at(0, 400)), where=shown, fix=ANOTHER)
        with _opened(remote) as dataset:
            piece = _piece_of(dataset, source, box, tile_box, shown)
        if remote.fault is not None:
            raise remote.fault
        return piece
    except (RasterioError, OSError) as error:
        if remote.fault is not None:
            raise remote.fault from error
        raise FetchError("cannot be read as a raster", where=shown, fix=ANOTHER) from error


@contextmanager
def _opened(remote: RemoteFile) -> Iterator[DatasetReader]:
    with (
        rasterio.Env(GDAL_DISABLE_READDIR_ON_OPEN="EMPTY_DIR"),
        warnings.catch_warnings(),
    ):
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        with rasterio.open(_NAME, driver="GTiff", opener=opener_for(remote, _NAME)) as dataset:
            yield dataset


def _what_it_is(head: bytes) -> str:
    if head.lstrip()[:1] == b"<":
        return "a page of text came in place of a raster"
    return "what came is no GeoTIFF"


def _piece_of(dataset: DatasetReader, source: LandSource, box: Box, tile_box: Box | None, shown: str) -> Piece | None:
    crs = _judged_crs(dataset, source, shown)
    kind = np.dtype(dataset.dtypes[0]).kind
    if dataset.count < 1 or kind not in ("iu" if source.gives is Gives.LAND_COVER else "iuf"):
        raise FetchError(f"holds {dataset.dtypes[0]} values, which are no {source.gives}", where=shown, fix=ANOTHER)
    if math.prod(dataset.block_shapes[0]) > MOST_BLOCK_PIXELS:
        raise FetchError("cannot be read in small parts: its blocks are too large", where=shown, fix=ANOTHER)
    transform = dataset.transform
    if transform.b or transform.d or not transform.a > 0 or not transform.e < 0:
        raise FetchError("does not lie north up", where=shown, fix=ANOTHER)
    flat = crs.sub_crs_list[0] if crs.is_compound else crs
    if tile_box is not None:
        _judge_place(dataset, flat, tile_box, shown)
    window = _window(dataset, flat, box)
    if window is None:
        return None
    columns, rows = int(window.width), int(window.height)
    if columns * rows > MOST_PIXELS:
        raise FetchError(
            f"{columns} × {rows} cells would be needed", where=shown, fix="Take a coarser source, or a smaller terrain.margin_m."
        )
    values = dataset.read(1, window=window)
    nodata = dataset.nodata
    if MaskFlags.per_dataset in dataset.mask_flag_enums[0] or MaskFlags.alpha in dataset.mask_flag_enums[0]:
        mask = dataset.read_masks(1, window=window)
        nodata = nodata if nodata is not None else _own_nodata(values)
        values = np.where(mask > 0, values, np.asarray(nodata, dtype=values.dtype))
    corner = transform @ Affine.translation(window.col_off, window.row_off)
    stated = _datum_of(crs)
    written = crs if stated else _with_heights(crs, source)
    data = _geotiff(values, corner, written, nodata, _unit(dataset, source))
    return Piece(
        data=data,
        box=_box_of(corner, columns, rows, flat),
        cell_deg_or_m=float(transform.a),
        columns=columns,
        rows=rows,
        known_share=_known_share(values, nodata),
        height_datum=stated,
        note=_about_datum(stated, source),
    )


def _judged_crs(dataset: DatasetReader, source: LandSource, shown: str) -> CRS:
    if dataset.crs is None or dataset.transform == Affine.identity():
        raise FetchError("does not say where it lies", where=shown, fix=ANOTHER)
    if dataset.tags(ns="OVERVIEWS").get("OVERVIEW_FILE"):
        raise FetchError("names another file as part of it", where=shown, fix=ANOTHER)
    try:
        crs = CRS.from_wkt(dataset.crs.to_wkt())
        wanted = CRS.from_user_input(source.crs) if source.crs else None
    except CRSError as error:
        raise FetchError("its projection is not known", where=shown, fix=ANOTHER) from error
    flat = crs.sub_crs_list[0] if crs.is_compound else crs
    if wanted is not None and not (flat.to_2d() if flat.is_geographic else flat).equals(wanted, ignore_axis_order=True):
        raise FetchError(f"lies in {flat.name}, its source should lie in {wanted.name}", where=shown, fix=ANOTHER)
    if not (flat.is_projected or flat.is_geographic):
        raise FetchError(f"its projection '{flat.name[:60]}' is tied to no place on Earth", where=shown, fix=ANOTHER)
    return crs


def _judge_place(dataset: DatasetReader, flat: CRS, tile_box: Box, shown: str) -> None:
    """Raise if a tile does not lie where its name says."""
    here = _box_of(dataset.transform, dataset.width, dataset.height, flat)
    allowed = _OUTSIDE_CELLS * max(abs(dataset.transform.a), abs(dataset.transform.e)) if flat.is_geographic else 0.05
    turned = 360.0 * round((here[0] - tile_box[0]) / 360.0)
    there = (tile_box[0] + turned, tile_box[1], tile_box[2] + turned, tile_box[3])
    if any(abs(one - other) > allowed for one, other in zip(here, there, strict=True)):
        raise FetchError(f"reaches {_corners(here)}, a tile of that name should reach {_corners(there)}", where=shown, fix=ANOTHER)


def _corners(box: Box) -> str:
    return f"from {box[1]:.4g}, {box[0]:.4g} to {box[3]:.4g}, {box[2]:.4g} (latitude, longitude)"


def _window(dataset: DatasetReader, flat: CRS, box: Box) -> Window | None:
    """Return the pixels under a box of degrees and a few around it; None where there are none."""
    steps = np.linspace(0.0, 1.0, 9)
    lon, lat = (part.ravel() for part in np.meshgrid(box[0] + steps * (box[2] - box[0]), box[1] + steps * (box[3] - box[1])))
    try:
        x, y = Transformer.from_crs("OGC:CRS84", flat, always_xy=True).transform(lon, lat)
    except ProjError:
        return None
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        return None
    inverse = ~dataset.transform
    if flat.is_geographic:
        middle = dataset.transform.c + dataset.transform.a * dataset.width / 2
        x = x + 360.0 * np.round((middle - np.mean(x)) / 360.0)
    columns, rows = inverse.a * x + inverse.c, inverse.e * y + inverse.f
    first_column, last_column = max(0, math.floor(columns.min()) - PAD), min(dataset.width, math.ceil(columns.max()) + PAD)
    first_row, last_row = max(0, math.floor(rows.min()) - PAD), min(dataset.height, math.ceil(rows.max()) + PAD)
    if first_column >= last_column or first_row >= last_row:
        return None
    return Window(first_column, first_row, last_column - first_column, last_row - first_row)


def _box_of(transform: Affine, columns: int, rows: int, flat: CRS) -> Box:
    """Return the box of degrees around pixels."""
    steps = np.linspace(0.0, 1.0, 9)
    across, down = (part.ravel() for part in np.meshgrid(steps * columns, steps * rows))
    x, y = transform.a * across + transform.c, transform.e * down + transform.f
    lon, lat = Transformer.from_crs(flat, "OGC:CRS84", always_xy=True).transform(x, y)
    return float(np.min(lon)), float(np.min(lat)), float(np.max(lon)), float(np.max(lat))


def _datum_of(crs: CRS) -> str:
    """Return what the file itself says that its heights count from."""
    if crs.is_compound:
        return next((part.name for part in crs.sub_crs_list if part.is_vertical), "")
    return f"the ellipsoid ({crs.name})" if crs.is_geographic and len(crs.axis_info) == 3 else ""


def _with_heights(crs: CRS, source: LandSource) -> CRS:
    """Return the projection with the vertical reference that the source states, so that the file carries it from here on."""
    if not source.height_epsg or source.gives is not Gives.ELEVATION:
        return crs
    vertical = CRS.from_epsg(source.height_epsg)
    if not vertical.is_vertical:
        return vertical if crs.is_geographic and vertical.is_geographic else crs
    return CompoundCRS(f"{crs.name} + {vertical.name}", [crs, vertical])


def _about_datum(stated: str, source: LandSource) -> str:
    if stated and source.height_epsg and source.gives is Gives.ELEVATION:
        named = CRS.from_epsg(source.height_epsg).name
        if named != stated:
            return f"the file says that heights count from {stated}, the table of sources says {named}: the file is followed"
    return ""


def _unit(dataset: DatasetReader, source: LandSource) -> str:
    own = (dataset.units[0] or "").strip()
    if own or source.gives is not Gives.ELEVATION:
        return own
    return {"m": "metre", "ft": "foot", "us-ft": "US survey foot"}.get(source.unit, "")


def _own_nodata(values: NDArray[np.generic]) -> float:
    if values.dtype.kind == "f":
        return math.nan
    limits = np.iinfo(values.dtype.str)
    return float(limits.min if values.dtype.kind == "i" else limits.max)


def _known_share(values: NDArray[np.generic], nodata: float | None) -> float:
    unknown = np.isnan(values) if values.dtype.kind == "f" else np.zeros(values.shape, dtype=bool)
    if nodata is not None and not math.isnan(nodata):
        unknown |= values == nodata
    return float(1.0 - unknown.mean())


def _geotiff(values: NDArray[np.generic], transform: Affine, crs: CRS, nodata: float | None, unit: str) -> bytes:
    predictor = 3 if values.dtype.kind == "f" else 2
    with MemoryFile() as memory:
        with memory.open(
            driver="GTiff", width=values.shape[1], height=values.shape[0], count=1, dtype=values.dtype, transform=transform,
            crs=rasterio.CRS.from_wkt(crs.to_wkt()), nodata=nodata, compress="deflate", predictor=predictor,
            geotiff_version="1.1",
        ) as target:  # fmt: skip
            target.write(values, 1)
            if unit:
                target.units = (unit,)
        return bytes(memory.read())
