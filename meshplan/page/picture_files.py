"""The user's own pictures to draw on: judged before anything is decoded, kept with where they lie (`picture.toml`)."""

from __future__ import annotations

import io
import math
import re
import tomllib
import warnings
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any, Final
from xml.etree import ElementTree as ET

import numpy as np
import rasterio
from affine import Affine
from numpy.typing import NDArray
from PIL import Image
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from rasterio.enums import ColorInterp
from rasterio.errors import RasterioError

from meshplan.errors import InputError
from meshplan.inputs.file_content import judge_opened, open_raster
from meshplan.inputs.user_files import content_of
from meshplan.inputs.vector import WGS84, parse_crs, point_mover, reason_of
from meshplan.page.pins import Pin, Placing, fit_pins

PICTURE_FILE: Final = "picture.toml"
IMAGE_SUFFIXES: Final = (".png", ".jpg", ".jpeg", ".webp")
FORMATS: Final = ("PNG", "JPEG", "WEBP")
WORLD_SUFFIXES: Final = (".pgw", ".pngw", ".jgw", ".jpgw", ".jpegw", ".wld", ".webpw")
RASTER_SUFFIXES: Final = (".tif", ".tiff")
MOST_PIXELS: Final = 80_000_000
"""Largest picture that is opened (own choice): 240 MB once it is decoded."""
MOST_KML_BYTES: Final = 2_000_000
READ_SIDE_PX: Final = 4096
"""Georeferenced rasters are read no finer."""


@dataclass(frozen=True)
class Judged:
    """Size of a picture, and where it lies if it says so."""

    wide_px: int
    high_px: int
    box_deg: tuple[float, float, float, float] | None = None

    @property
    def middle_deg(self) -> tuple[float, float] | None:
        """Longitude and latitude of the middle."""
        box = self.box_deg
        return None if box is None else ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)


class PictureEntry(BaseModel):
    """One picture of `picture.toml`."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    file: str
    pins: tuple[Pin, ...] = ()
    world: str | None = None
    """World file beside it."""
    crs: str | None = None
    """Projection of the world file, or of a raster that does not say its own."""
    overlay: str | None = None
    """KML that says where it lies."""
    strength: float = Field(default=0.8, ge=0, le=1)


def judge_image(path: Path, shown: str) -> Judged:
    """Return the size of a picture without decoding it."""
    with _opened(path, shown) as image:
        return Judged(*image.size)


def decoded(path: Path | bytes, shown: str, longest_px: int) -> tuple[Image.Image, float]:
    """Return a picture with at most so many pixels along its longer side, and by what it was reduced."""
    with _opened(path, shown) as image:
        wide = image.size[0]
        factor = max(1, math.ceil(max(image.size) / longest_px))
        try:
            image.draft("RGB", (image.size[0] // factor, image.size[1] // factor))
            whole = image.convert("RGBA")
        except (OSError, SyntaxError, ValueError, MemoryError) as error:
            raise InputError("is damaged", where=shown, fix="Save it again with a picture program.") from error
    left = max(1, math.ceil(max(whole.size) / longest_px))
    if left > 1:
        whole = whole.reduce(left)
    return whole, wide / whole.size[0]


def _opened(path: Path | bytes, shown: str) -> Image.Image:
    source = io.BytesIO(path) if isinstance(path, bytes) else path
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            image = Image.open(source, formats=FORMATS)
    except Image.DecompressionBombError as error:
        raise _too_large(shown) from error
    except (OSError, SyntaxError, ValueError) as error:
        fix = "Save it as PNG or JPEG."
        raise InputError("cannot be read as a picture, whatever its name says", where=shown, fix=fix) from error
    if image.size[0] * image.size[1] > MOST_PIXELS:
        raise _too_large(shown)
    return image


def _too_large(shown: str) -> InputError:
    fix = "Make it smaller with a picture program."
    return InputError(f"has more than {MOST_PIXELS // 1_000_000} million pixels", where=shown, fix=fix)


def judge_picture_raster(path: Path, shown: str, crs: str | None) -> Judged:
    """Return size and place of a georeferenced picture; `crs` is used where it does not say its own."""
    placing, wide_px, high_px = raster_placing(path, shown, crs)
    return Judged(wide_px, high_px, _box(placing, wide_px, high_px))


def raster_placing(path: Path, shown: str, crs: str | None) -> tuple[Placing, int, int]:
    """Return where a georeferenced raster lies, with its size."""
    try:
        with open_raster(path, shown) as source:
            judge_opened(source, path, shown)
            if source.transform == Affine.identity():
                fix = "Export it as GeoTIFF, or drop it as JPEG and pin it."
                raise InputError("does not say where it lies", where=shown, fix=fix)
            own = source.crs.to_wkt() if source.crs is not None else crs
            if own is None:
                raise InputError("does not say its projection", where=shown, fix='Write crs = "EPSG:…" in property.toml.')
            return Placing(_matrix(source.transform), own), source.width, source.height
    except RasterioError as error:
        raise InputError(f"cannot be read ({reason_of(error, path, shown)})", where=shown, fix="Export it again.") from error


def read_picture_raster(path: Path, shown: str) -> tuple[NDArray[np.uint8], float]:
    """Return a georeferenced picture as red, green, blue and opacity, shape (rows, columns, 4), and by what it was reduced."""
    try:
        with open_raster(path, shown) as source:
            judge_opened(source, path, shown)
            factor = max(1.0, max(source.width, source.height) / READ_SIDE_PX)
            shape = max(1, round(source.height / factor)), max(1, round(source.width / factor))
            wanted = [1, 2, 3] if source.count >= 3 else [1, 1, 1]
            bands = source.read(wanted, out_shape=(3, *shape), resampling=rasterio.enums.Resampling.average)
            clear = source.dataset_mask(out_shape=shape)
            palette = source.colormap(1) if source.colorinterp[0] is ColorInterp.palette else None
    except (RasterioError, ValueError) as error:
        raise InputError(f"cannot be read ({reason_of(error, path, shown)})", where=shown, fix="Export it again.") from error
    if palette is not None:
        table = np.array([palette.get(number, (0, 0, 0, 0))[:3] for number in range(256)], dtype=np.uint8)
        colours = table[np.clip(bands[0], 0, 255).astype(np.uint8)]
    else:
        colours = np.moveaxis(_as_bytes(bands), 0, 2)
    return np.dstack([colours, clear]).astype(np.uint8), source.width / shape[1]


def _as_bytes(bands: NDArray[Any]) -> NDArray[np.uint8]:
    if bands.dtype == np.uint8:
        return np.asarray(bands)
    low, high = np.nanpercentile(bands, [1, 99])
    return np.asarray(np.clip((bands - low) / max(high - low, 1e-9) * 255.0, 0, 255), dtype=np.uint8)


def judge_overlay(path: Path, shown: str) -> Judged | None:
    """Return size and place of a picture that a KML lays on the land; None where it lays none, or holds places too."""
    text, archive = _kml_text(path, shown)
    if "GroundOverlay" not in text or "<Placemark" in text:
        return None
    corners, icon = _overlay(text, shown)
    if archive is None:
        beside = PurePosixPath(icon).name
        fix = f"Drop {beside} as well, or save both as one KMZ."
        raise InputError(f"lays the picture {beside} on the land, which is not in it", where=shown, fix=fix)
    wide, high = Image.open(io.BytesIO(_member(path, icon, shown)), formats=FORMATS).size
    if wide * high > MOST_PIXELS:
        raise _too_large(shown)
    lon, lat = [corner[0] for corner in corners], [corner[1] for corner in corners]
    return Judged(wide, high, (min(lon), min(lat), max(lon), max(lat)))


def overlay_of(path: Path, shown: str) -> tuple[list[tuple[float, float]], str, bytes | None]:
    """Return the corners of a picture (upper left first, clockwise), its name and, from an archive, its bytes."""
    text, archive = _kml_text(path, shown)
    corners, icon = _overlay(text, shown)
    return corners, PurePosixPath(icon).name, None if archive is None else _member(path, icon, shown)


def _kml_text(path: Path, shown: str) -> tuple[str, str | None]:
    again = "Export it again as KML or KMZ."
    name: str | None = None
    if path.suffix.casefold() == ".kmz":
        try:
            with zipfile.ZipFile(path) as archive:
                found = [one for one in archive.infolist() if one.filename.casefold().endswith(".kml")]
                if not found or found[0].file_size > MOST_KML_BYTES * 20:
                    raise InputError("holds no KML", where=shown, fix=again)
                name, raw = found[0].filename, archive.read(found[0])
        except (zipfile.BadZipFile, OSError, ValueError, RuntimeError) as error:
            if isinstance(error, InputError):
                raise
            raise InputError("cannot be read (it is no .kmz file)", where=shown, fix=again) from error
    else:
        raw = content_of(path, shown)
    text = raw.decode("utf-8-sig", errors="replace")
    if re.search(r"<!(?:DOCTYPE|ENTITY)", text, re.IGNORECASE):
        raise InputError("declares a document type, which map files do not need", where=shown, fix=again)
    return text, name


def _overlay(text: str, shown: str) -> tuple[list[tuple[float, float]], str]:
    again = "Export it again as KML or KMZ."
    try:
        root = ET.fromstring(text)
    except ET.ParseError as error:
        raise InputError("cannot be read as KML", where=shown, fix=again) from error
    overlays = [part for part in root.iter() if _bare(part) == "GroundOverlay"]
    if len(overlays) != 1:
        raise InputError(f"lays {len(overlays)} pictures on the land", where=shown, fix="Export one picture alone.")
    told = {_bare(part): (part.text or "").strip() for part in overlays[0].iter()}
    icon = told.get("href", "")
    if not icon or "://" in icon or icon.startswith(("/", "\\")) or ".." in icon:
        raise InputError("takes its picture from another place", where=shown, fix="Save it as KMZ, with the picture inside.")
    try:
        if "coordinates" in told:  # lower left, lower right, upper right, upper left
            points = [tuple(float(number) for number in word.split(",")[:2]) for word in told["coordinates"].split()]
            ll, lr, ur, ul = ((point[0], point[1]) for point in points)
            return [ul, ur, lr, ll], icon
        north, south, east, west = (float(told[name]) for name in ("north", "south", "east", "west"))
        turn = math.radians(float(told.get("rotation", "0") or 0))
    except (KeyError, ValueError, IndexError) as error:
        raise InputError("does not say where its picture lies", where=shown, fix=again) from error
    if not (-90 <= south < north <= 90 and -180 <= west < east <= 540):
        raise InputError("does not say where its picture lies", where=shown, fix=again)
    mid = (west + east) / 2, (south + north) / 2
    widen = max(math.cos(math.radians(mid[1])), 0.01)
    corners = []
    for lon, lat in ((west, north), (east, north), (east, south), (west, south)):
        across, up = (lon - mid[0]) * widen, lat - mid[1]
        corners.append(
            (
                mid[0] + (across * math.cos(turn) - up * math.sin(turn)) / widen,
                mid[1] + across * math.sin(turn) + up * math.cos(turn),
            )
        )
    return corners, icon


def _bare(part: ET.Element) -> str:
    return str(part.tag).rpartition("}")[2]


def _member(path: Path, name: str, shown: str) -> bytes:
    try:
        with zipfile.ZipFile(path) as archive:
            return archive.read(name)
    except (KeyError, zipfile.BadZipFile, OSError, RuntimeError) as error:
        raise InputError(f"does not hold its picture {PurePosixPath(name).name}", where=shown, fix="Save it again.") from error


def _matrix(transform: Affine) -> NDArray[np.float64]:
    return np.array(
        [[transform.a, transform.b, transform.c], [transform.d, transform.e, transform.f], [0.0, 0.0, 1.0]], dtype=float
    )


def _box(placing: Placing, wide_px: int, high_px: int) -> tuple[float, float, float, float]:
    corners = placing.corners_deg(wide_px, high_px)
    lon, lat = [corner[0] for corner in corners], [corner[1] for corner in corners]
    return min(lon), min(lat), max(lon), max(lat)


def world_placing(content: bytes, crs: str, shown: str) -> Placing:
    """Return where a picture with a world file lies; its six lines speak of the middle of pixels."""
    try:
        a, d, b, e, c, f = (float(line.replace(",", ".")) for line in content.decode("ascii").split())
    except (ValueError, UnicodeDecodeError) as error:
        raise InputError("is no world file: six numbers, one a line", where=shown, fix="Export the picture again.") from error
    transform = Affine(a, b, c, d, e, f) * Affine.translation(-0.5, -0.5)
    if not (math.isfinite(transform.determinant) and abs(transform.determinant) > 0):
        raise InputError("gives its pixels no size", where=shown, fix="Export the picture again.")
    parse_crs(crs, f"{PICTURE_FILE}, key 'crs'")
    return Placing(_matrix(transform), crs)


def placing_of(folder: Path, entry: PictureEntry, wide_px: int, high_px: int) -> tuple[Placing, tuple[float, ...]]:
    """Return where a picture of the folder lies, and what is left at its pins in metres."""
    if entry.pins:
        fit = fit_pins(entry.pins, wide_px, high_px, entry.file)
        return fit.placing, fit.residual_m
    if entry.world is not None:
        if entry.crs is None:
            fix = "Say the projection of the world file."
            raise InputError(f"{entry.file} has a world file and no projection", where=f"{PICTURE_FILE}, key 'crs'", fix=fix)
        return world_placing(content_of(folder / entry.world, entry.world), entry.crs, entry.world), ()
    if entry.overlay is not None:
        corners, _, _ = overlay_of(folder / entry.overlay, entry.overlay)
        return quad_placing(corners, wide_px, high_px), ()
    return raster_placing(folder / entry.file, entry.file, entry.crs)[0], ()


def quad_placing(corners: Sequence[tuple[float, float]], wide_px: int, high_px: int) -> Placing:
    """Return the placing of a picture whose corners are known, upper left first, clockwise."""
    lon, lat = np.array([corner[0] for corner in corners]), np.array([corner[1] for corner in corners])
    crs = f"+proj=aeqd +lat_0={lat.mean():.9f} +lon_0={lon.mean():.9f} +datum=WGS84 +units=m +no_defs"
    x, y = point_mover(WGS84, crs)(lon, lat)
    pixels = [(0.0, 0.0), (wide_px, 0.0), (wide_px, high_px), (0.0, high_px)]
    rows, right = [], []
    for (u, v), a, b in zip(pixels, x.tolist(), y.tolist(), strict=True):
        rows += [[u, v, 1, 0, 0, 0, -a * u, -a * v], [0, 0, 0, u, v, 1, -b * u, -b * v]]
        right += [a, b]
    solved = np.linalg.solve(np.array(rows, dtype=float), np.array(right))
    return Placing(np.append(solved, 1.0).reshape(3, 3), crs)


def read_pictures(content: bytes | None) -> tuple[PictureEntry, ...]:
    """Return the pictures that `picture.toml` names.

    Raises
    ------
    InputError
        Where it cannot be read.
    """
    if content is None:
        return ()
    try:
        found = tomllib.loads(content.decode("utf-8-sig")).get("picture", [])
        return tuple(PictureEntry.model_validate(one) for one in found)
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, ValidationError, TypeError) as error:
        raise InputError("cannot be read", where=PICTURE_FILE, fix="Correct it in your editor, or take it away.") from error


def written_pictures(entries: Sequence[PictureEntry]) -> bytes:
    """Return `picture.toml`; the page alone writes it, so it is written anew each time."""
    lines = ["# Pictures under the sheet of `meshplan open`; nothing is planned from them.", ""]
    for entry in entries:
        lines += ["[[picture]]", f"file = {_text(entry.file)}"]
        lines += [f"{key} = {_text(value)}" for key in ("world", "crs", "overlay") if (value := getattr(entry, key)) is not None]
        lines.append(f"strength = {entry.strength:g}")
        if entry.pins:
            lines.append("pins = [")
            lines += [
                f"  {{ x_px = {pin.x_px:.2f}, y_px = {pin.y_px:.2f}, lat_deg = {pin.lat_deg:.7f}, lon_deg = {pin.lon_deg:.7f} }},"
                for pin in entry.pins
            ]
            lines.append("]")
        lines.append("")
    return "\n".join(lines).encode("utf-8")


def _text(value: str) -> str:
    escaped = value.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
