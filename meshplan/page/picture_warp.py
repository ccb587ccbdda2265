"""A placed picture turned to the map's own projection, so that it lies on the sheet as a plain upright overlay."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy import ndimage

from meshplan.errors import InputError
from meshplan.inputs.vector import WGS84, point_mover
from meshplan.page.picture_files import (
    IMAGE_SUFFIXES,
    READ_SIDE_PX,
    PictureEntry,
    decoded,
    overlay_of,
    placing_of,
    read_picture_raster,
)
from meshplan.page.pins import Placing

WEB_MERCATOR: Final = "EPSG:3857"
LONGEST_SIDE_PX: Final = 2048
LATTICE_PX: Final = 8
"""Places are reckoned at each so many pixels and interpolated between: the projections are smooth (checked by a test)."""
QUALITY: Final = 82
MOST_LATITUDE_DEG: Final = 85.0


@dataclass(frozen=True)
class WarpedPicture:
    """A picture as WebP with its corners in degrees, and what is left at its pins."""

    webp: bytes
    bounds: list[list[float]]
    """South-west and north-east corner as (latitude, longitude)."""
    wide_px: int
    high_px: int
    residual_m: tuple[float, ...]


def warped_picture(folder: Path, entry: PictureEntry) -> WarpedPicture:
    """Return a picture of the folder as it lies on the sheet."""
    path = folder / entry.file
    suffix = path.suffix.casefold()
    if suffix == ".kmz":
        _, name, content = overlay_of(path, entry.file)
        assert content is not None
        image, factor = decoded(content, f"{entry.file}, {name}", READ_SIDE_PX)
        pixels = np.asarray(image)
    elif suffix in IMAGE_SUFFIXES:
        image, factor = decoded(path, entry.file, READ_SIDE_PX)
        pixels = np.asarray(image)
    else:
        pixels, factor = read_picture_raster(path, entry.file)
    wide_px, high_px = round(pixels.shape[1] * factor), round(pixels.shape[0] * factor)
    overlay = entry.file if suffix == ".kmz" else entry.overlay
    placing, residual_m = placing_of(folder, entry.model_copy(update={"overlay": overlay}), wide_px, high_px)
    shrunk = Placing(placing.matrix @ np.diag([factor, factor, 1.0]), placing.crs)
    webp, bounds = warp(pixels, shrunk, entry.file)
    return WarpedPicture(webp, bounds, wide_px, high_px, residual_m)


def warp(pixels: NDArray[np.uint8], placing: Placing, shown: str) -> tuple[bytes, list[list[float]]]:
    """Return a picture, shape (rows, columns, 4), turned to web mercator, and its corners in degrees."""
    colours, (west, south, east, north) = warped_pixels(pixels, placing, shown)
    stream = io.BytesIO()
    Image.fromarray(colours, mode="RGBA").save(stream, "WEBP", quality=QUALITY, method=4)
    lon, lat = point_mover(WEB_MERCATOR, WGS84)([west, east], [south, north])
    return stream.getvalue(), [[float(lat[0]), float(lon[0])], [float(lat[1]), float(lon[1])]]


def warped_pixels(
    pixels: NDArray[np.uint8], placing: Placing, shown: str
) -> tuple[NDArray[np.uint8], tuple[float, float, float, float]]:
    """Return the turned picture and its west, south, east, north in metres of web mercator."""
    high, wide = pixels.shape[:2]
    along = np.linspace(0.0, 1.0, 33)
    edge_x = np.concatenate([along, along, np.zeros(33), np.ones(33)]) * wide
    edge_y = np.concatenate([np.zeros(33), np.ones(33), along, along]) * high
    lon, lat = point_mover(placing.crs, WGS84)(*placing.to_plane(edge_x, edge_y))
    if not (np.isfinite(lon).all() and np.isfinite(lat).all() and np.abs(lat).max() < MOST_LATITUDE_DEG):
        raise InputError("lies on no land that can be drawn", where=shown, fix="Look at its projection or its pins.")
    x, y = point_mover(WGS84, WEB_MERCATOR)(lon, lat)
    west, south, east, north = float(x.min()), float(y.min()), float(x.max()), float(y.max())
    own = np.sqrt(abs(np.linalg.det(_steps(placing, wide, high))))
    cell = max(own, max(east - west, north - south) / LONGEST_SIDE_PX)
    columns, rows = max(2, int(np.ceil((east - west) / cell))), max(2, int(np.ceil((north - south) / cell)))
    if rows * columns > LONGEST_SIDE_PX**2 * 2:
        raise InputError("lies on no land that can be drawn", where=shown, fix="Look at its projection or its pins.")
    east, south = west + columns * cell, north - rows * cell
    lattice_x = np.arange(0, columns + LATTICE_PX, LATTICE_PX, dtype=float)
    lattice_y = np.arange(0, rows + LATTICE_PX, LATTICE_PX, dtype=float)
    grid_x, grid_y = np.meshgrid(west + lattice_x * cell, north - lattice_y * cell)
    at = point_mover(WEB_MERCATOR, placing.crs)(grid_x, grid_y)
    source_x, source_y = placing.to_pixels(np.asarray(at[0]), np.asarray(at[1]))
    middle = (np.indices((rows, columns)) + 0.5) / LATTICE_PX
    fine_x, fine_y = (ndimage.map_coordinates(part, middle, order=1, mode="nearest") for part in (source_x, source_y))
    where = np.array([fine_y - 0.5, fine_x - 0.5])
    turned = np.empty((rows, columns, 4), dtype=np.uint8)
    for band in range(4):
        turned[..., band] = ndimage.map_coordinates(pixels[..., band], where, order=1, mode="nearest")
    outside = (fine_x < 0) | (fine_x > wide) | (fine_y < 0) | (fine_y > high)
    turned[..., 3][outside] = 0
    return turned, (west, south, east, north)


def _steps(placing: Placing, wide: int, high: int) -> NDArray[np.float64]:
    """Return what one pixel right and one pixel down are in web mercator, at the middle of a picture."""
    x_px, y_px = np.array([wide / 2, wide / 2 + 1, wide / 2]), np.array([high / 2, high / 2, high / 2 + 1])
    lon, lat = point_mover(placing.crs, WGS84)(*placing.to_plane(x_px, y_px))
    x, y = point_mover(WGS84, WEB_MERCATOR)(lon, lat)
    return np.array([[x[1] - x[0], x[2] - x[0]], [y[1] - y[0], y[2] - y[0]]])
