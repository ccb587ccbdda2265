"""The land as a picture: tinted by height, shaded as if lit from the north-west, turned to the map's own projection."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image, WebPImagePlugin
from pyproj import Transformer
from rasterio.transform import from_origin
from rasterio.warp import Resampling, calculate_default_transform, reproject
from scipy import ndimage

from meshplan.assembly.page_records import CoverageLayer
from meshplan.grid import Grid
from meshplan.reporting.map.assets import data_uri
from meshplan.reporting.map.palette import RELIEF_TINTS, class_colour, red_green_blue

WEB_MERCATOR: Final = "EPSG:3857"
LONGEST_SIDE_PX: Final = 2048
LOSSY_EFFORT: Final = {"quality": 80, "method": 2}
"""The land's picture: half the time of method 4 for 3 % more bytes (measured on the valley farm)."""
LOSSLESS_EFFORT: Final = {"quality": 50, "method": 2}
"""How hard WebP's lossless form tries: on the valley farm a twentieth of the time of the hardest, 0.2 % more bytes (measured)."""
LIGHTS: Final = ((315.0, 0.6), (270.0, 0.2), (0.0, 0.2))
"""Azimuth in degrees and weight of each lamp; several lamps keep ridges along the main light visible."""
LAMP_ALTITUDE_DEG: Final = 45.0
WANTED_SLOPE: Final = 0.22
"""Steep ground (nine tenths of the land are flatter) is drawn with this slope, so that gentle land still shows its shape."""
NOTHING: Final = 255
CELLS_AT_ONCE: Final = 20_000


@dataclass(frozen=True)
class RasterPicture:
    """A picture that lies on the map: its data URI and its corners in degrees."""

    uri: str
    south_deg: float
    west_deg: float
    north_deg: float
    east_deg: float

    @property
    def bounds(self) -> list[list[float]]:
        """South-west and north-east corner as (latitude, longitude)."""
        return [[self.south_deg, self.west_deg], [self.north_deg, self.east_deg]]


def relief_picture(ground_amsl_m: NDArray[np.float32], grid: Grid) -> RasterPicture:
    """Return the shaded and tinted land; unknown cells are transparent."""
    factor = max(1, int(np.ceil(max(grid.shape) / LONGEST_SIDE_PX)))
    heights = ground_amsl_m[::factor, ::factor]
    known = np.isfinite(heights)
    filled = fill_unknown(heights)
    shade = hillshade(filled, grid.cell_m * factor)
    span = float(filled.min()), float(filled.max())
    picture = np.zeros((4, *heights.shape), dtype=np.uint8)
    for rows in _bands_of_rows(heights.shape):
        colour = tint(filled[rows], span) * shade[rows, :, None]
        picture[:3, rows] = np.moveaxis(np.clip(colour, 0, 255), 2, 0).round().astype(np.uint8)
    picture[3] = np.where(known, 255, 0)
    warped, corners = _warp(picture, grid, factor, Resampling.bilinear)
    return _webp(warped, corners, lossless=False)


HATCHED_CLASS: Final = "failing"
HATCH_PERIOD_PX: Final = 10
HATCH_CLEAR_ALPHA: Final = 90
HATCH_SIDE_PX: Final = 1000
"""A coarse layer is drawn with whole pixels a cell up to about this long side, so that stripes are finer than its cells."""


def coverage_picture(layer: CoverageLayer, grid: Grid) -> RasterPicture:
    """Return a coverage layer in flat colours, unknown cells transparent, failing ones hatched.

    Colour alone does not tell ample from failing for every eye (ΔE*ab 15 with protanopia once blended with the land), so failing
    land is drawn in slanted stripes, a full and a half clear one.
    """
    factor = max(1, int(np.ceil(max(grid.shape) / LONGEST_SIDE_PX)))
    classes = layer.classes[::factor, ::factor]
    warped, corners = _warp(classes[None], grid, factor, Resampling.nearest, nothing=NOTHING)
    palette = np.zeros((256, 4), dtype=np.uint8)
    for index, name in enumerate(layer.class_names):
        palette[index] = (*red_green_blue(class_colour(name, index)), 255)
    finer = max(1, HATCH_SIDE_PX // max(warped[0].shape))
    index = warped[0].repeat(finer, axis=0).repeat(finer, axis=1)
    colours = palette[index]
    rows, columns = np.indices(index.shape)
    failing = np.isin(index, [k for k, name in enumerate(layer.class_names) if name == HATCHED_CLASS])
    colours[..., 3][failing & ((rows + columns) % HATCH_PERIOD_PX < HATCH_PERIOD_PX // 2)] = HATCH_CLEAR_ALPHA
    picture = np.moveaxis(colours, 2, 0)
    return _webp(picture, corners, lossless=True)


def fill_unknown(heights: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return heights with unknown cells taken from the nearest known one, for shading only."""
    known = np.isfinite(heights)
    if known.all() or not known.any():
        return np.where(known, heights, 0.0).astype(np.float64)
    nearest = ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
    return np.asarray(heights[tuple(nearest)], dtype=np.float64)


def hillshade(heights: NDArray[np.float64], cell_m: float) -> NDArray[np.float64]:
    """Return brightness around one, darker on slopes that turn from the light; shape of `heights`."""
    if min(heights.shape) < 2:
        return np.ones_like(heights)
    down, right = np.gradient(ndimage.gaussian_filter(heights, 0.7), cell_m)
    steep = float(np.quantile(np.hypot(down, right), 0.9))
    scale = WANTED_SLOPE / steep if steep > 0 else 1.0
    scale = float(np.clip(scale, 0.5, 12.0))
    altitude = np.radians(LAMP_ALTITUDE_DEG)
    shade = np.empty_like(heights)
    for rows in _bands_of_rows(heights.shape):
        north, east = -down[rows] * scale, right[rows] * scale
        length = np.sqrt(1.0 + north**2 + east**2)
        light = np.zeros_like(north)
        for azimuth_deg, weight in LIGHTS:
            azimuth = np.radians(azimuth_deg)
            toward = -(north * np.cos(azimuth) + east * np.sin(azimuth)) * np.cos(altitude) + np.sin(altitude)
            light += weight * np.maximum(toward / length, 0.0)
        shade[rows] = 0.98 + 0.62 * (light - np.sin(altitude))
    return shade


def _bands_of_rows(shape: tuple[int, ...]) -> Iterator[slice]:
    """Return rows in bands that the processor's cache holds: a third of the time of whole rasters (measured), the same numbers."""
    rows, columns = shape
    step = max(1, CELLS_AT_ONCE // max(1, columns))
    for first in range(0, rows, step):
        yield slice(first, first + step)


def tint(heights: NDArray[np.float64], span: tuple[float, float] | None = None) -> NDArray[np.float64]:
    """Return the height tint, shape (rows, columns, 3); `span` is the lowest and highest height of the land if this is a part."""
    low, high = (float(heights.min()), float(heights.max())) if span is None else span
    share = (heights - low) / (high - low) if high > low else np.full_like(heights, 0.3)
    stops = [stop for stop, _ in RELIEF_TINTS]
    channels = [np.interp(share, stops, [colour[channel] for _, colour in RELIEF_TINTS]) for channel in range(3)]
    return np.stack(channels, axis=-1)


def _warp(
    bands: NDArray[np.uint8], grid: Grid, factor: int, resampling: Resampling, nothing: int = 0
) -> tuple[NDArray[np.uint8], tuple[float, float, float, float]]:
    """Turn bands, shape (bands, rows, columns), to web mercator; also return west, south, east, north there in metres."""
    _, rows, columns = bands.shape
    cell_m = grid.cell_m * factor
    # Every `factor`-th cell is kept: its picture lies around the centre of the kept cell.
    shift_m = (grid.cell_m - cell_m) / 2
    left, top = grid.west_m + shift_m, grid.north_m - shift_m
    right, bottom = left + columns * cell_m, top - rows * cell_m
    source = from_origin(left, top, cell_m, cell_m)
    target, width, height = calculate_default_transform(
        grid.crs, WEB_MERCATOR, columns, rows, left=left, bottom=bottom, right=right, top=top
    )
    longest = max(width, height)
    if longest > LONGEST_SIDE_PX:
        scale = longest / LONGEST_SIDE_PX
        width, height = int(np.ceil(width / scale)), int(np.ceil(height / scale))
        target = from_origin(target.c, target.f, target.a * scale, -target.e * scale)
    warped = np.full((bands.shape[0], height, width), nothing, dtype=np.uint8)
    reproject(
        bands,
        warped,
        src_transform=source,
        src_crs=grid.crs,
        dst_transform=target,
        dst_crs=WEB_MERCATOR,
        resampling=resampling,
        src_nodata=nothing if nothing else None,
        dst_nodata=nothing,
    )
    west, north = target.c, target.f
    east, south = west + width * target.a, north + height * target.e
    return warped, (west, south, east, north)


def _webp(picture: NDArray[np.uint8], corners: tuple[float, float, float, float], lossless: bool) -> RasterPicture:
    assert WebPImagePlugin.SUPPORTED  # imported here so that the library need not load every other format to find it
    stream = io.BytesIO()
    image = Image.fromarray(np.ascontiguousarray(np.moveaxis(picture, 0, 2)), mode="RGBA")
    image.save(stream, "WEBP", lossless=lossless, **(LOSSLESS_EFFORT if lossless else LOSSY_EFFORT))
    west, south, east, north = corners
    to_degrees = Transformer.from_crs(WEB_MERCATOR, "EPSG:4326", always_xy=True)
    (west_deg, east_deg), (south_deg, north_deg) = to_degrees.transform([west, east], [south, north])
    return RasterPicture(data_uri(stream.getvalue(), "image/webp"), south_deg, west_deg, north_deg, east_deg)
