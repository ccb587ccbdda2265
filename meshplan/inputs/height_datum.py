"""Above what are the heights of a raster? Above the ellipsoid or above the geoid: tens of metres lie between them.

Notes
-----
Told by the file (a compound or three-dimensional projection, a tag), by `datum` in property.toml, or by the product that is named
there; else it is not known, which is said and never guessed. Heights above the ellipsoid are turned into those of the other rasters
by PROJ where its grid is installed. Without a grid PROJ by itself hands heights back unchanged; so only transformations that are no
ballpark count, and a projection without heights, for which leaving them alone is exact, never gets that far. Geoid heights reach
from −106 m to +85 m; two datums of the geoid kind differ by less than 1 m nearly everywhere (both from memory, check).
"""

from __future__ import annotations

import warnings as python_warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS, Transformer
from pyproj.crs import CompoundCRS
from pyproj.exceptions import CRSError, ProjError
from pyproj.transformer import TransformerGroup

from meshplan.errors import InputError, MeshplanError

ELLIPSOID: Final = "ellipsoid"
_ELLIPSOIDAL: Final = "EPSG:4979"
_LATTICE: Final = 9
"""Places each way at which the difference of two datums is asked for; in between it is straight (own choice: a geoid bends by
centimetres over a property)."""
BETWEEN_GEOIDS_M: Final = 0.5
"""What two datums of the geoid kind usually differ by (from memory, check)."""
_TAGS: Final = ("vertical_datum", "VERTICAL_DATUM", "vertical_crs", "VERT_DATUM")
_TAG_WORDS: Final = (("ellips", ELLIPSOID), ("egm2008", "EPSG:3855"), ("egm08", "EPSG:3855"), ("egm96", "EPSG:5773"))

Kind = Literal["ellipsoid", "geoid", "not known"]


@dataclass(frozen=True)
class HeightDatum:
    """What heights are counted from, and who says so."""

    kind: Kind
    name: str = ""
    vertical: str = ""
    """Of the geoid kind: the vertical reference as WKT."""
    base: str = "EPSG:4326"
    """Horizontal reference that goes with it, in degrees."""
    said_by: str = ""

    @property
    def words(self) -> str:
        """What is said of it."""
        return f"{self.name} ({self.said_by})" if self.kind != "not known" else "not said"


UNKNOWN: Final = HeightDatum("not known")


def datum_in_crs(crs: CRS | None) -> HeightDatum:
    """Return what a projection says of heights."""
    if crs is None:
        return UNKNOWN
    if crs.is_compound:
        vertical = [part for part in crs.sub_crs_list if part.is_vertical]
        if vertical and "ellips" in vertical[0].name.casefold():
            return HeightDatum("ellipsoid", "ellipsoid", said_by="the file's projection")
        if vertical:
            below = crs.sub_crs_list[0].geodetic_crs
            base = "EPSG:4326" if below is None else below.to_wkt()
            return HeightDatum("geoid", vertical[0].name, vertical[0].to_wkt(), base, "the file's projection")
        return UNKNOWN
    if len(crs.axis_info) == 3:
        return HeightDatum("ellipsoid", "ellipsoid", said_by="the file's projection")
    return UNKNOWN


def datum_named(name: str, where: str, said_by: str) -> HeightDatum:
    """Return the datum that somebody names: "ellipsoid", or a vertical reference such as "EPSG:5773"."""
    if name.strip().casefold() in (ELLIPSOID, _ELLIPSOIDAL.casefold()):
        return HeightDatum("ellipsoid", "ellipsoid", said_by=said_by)
    try:
        crs = CRS.from_user_input(name)
    except CRSError as error:
        raise InputError(f"'{name}' is no height datum that can be read", where=where, fix=_NAME_IT) from error
    if crs.is_compound:
        found = datum_in_crs(crs)
        return HeightDatum(found.kind, found.name, found.vertical, found.base, said_by)
    if not crs.is_vertical:
        raise InputError(f"'{name}' ({crs.name}) says nothing of heights", where=where, fix=_NAME_IT)
    return HeightDatum("geoid", crs.name, crs.to_wkt(), said_by=said_by)


_NAME_IT: Final = 'Write datum = "ellipsoid", or the vertical reference that its supplier states, such as "EPSG:5773".'


def datum_in_tags(tags: dict[str, str]) -> HeightDatum:
    """Return what the usual tags of a raster say of heights."""
    for tag in _TAGS:
        words = tags.get(tag, "").casefold().replace(" ", "").replace("-", "")
        for word, name in _TAG_WORDS:
            if word in words:
                return datum_named(name, tag, f"tag {tag}")
    return UNKNOWN


@dataclass(frozen=True)
class Levelling:
    """How the heights of several rasters come onto one datum."""

    shifts: tuple[Transformer | None, ...]
    """For each raster what turns its heights into those of the others; None leaves them."""
    notes: tuple[str, ...]
    faults: tuple[MeshplanError, ...]


def level(names: Sequence[str], datums: Sequence[HeightDatum]) -> Levelling:
    """Return how rasters, finest first, come onto one datum; heights above ellipsoid and geoid are never mixed."""
    kinds = {datum.kind for datum in datums}
    if "ellipsoid" not in kinds:
        return Levelling((None,) * len(names), tuple(_about_geoids(names, datums)), ())
    above = ", ".join(name for name, datum in zip(names, datums, strict=True) if datum.kind == "ellipsoid")
    if kinds == {"ellipsoid"}:
        note = (
            f"{above}: heights above the ellipsoid, and no others: heights 'above sea' of this plan are above the ellipsoid too, "
            "tens of metres off. Links do not change by that."
        )
        return Levelling((None,) * len(names), (note,), ())
    silent = [name for name, datum in zip(names, datums, strict=True) if datum.kind == "not known"]
    if silent:
        fault = InputError(
            f"does not say its height datum, and {above} counts from the ellipsoid, tens of metres from heights above sea level",
            where=silent[0],
            fix=f"Find out what its supplier says. {_NAME_IT}",
        )
        return Levelling((None,) * len(names), (), (fault,))
    target = next(datum for datum in datums if datum.kind == "geoid")
    shifts: list[Transformer | None] = []
    notes = []
    for name, datum in zip(names, datums, strict=True):
        if datum.kind == "geoid":
            shifts.append(None)
            continue
        try:
            shifts.append(_to_geoid(target, name))
        except InputError as fault:
            return Levelling((None,) * len(names), (), (fault,))
        notes.append(f"{name}: heights above the ellipsoid ({datum.said_by}), turned into {target.name} by PROJ.")
    return Levelling(tuple(shifts), (*notes, *_about_geoids(names, datums)), ())


def _about_geoids(names: Sequence[str], datums: Sequence[HeightDatum]) -> list[str]:
    told = {datum.name: name for name, datum in zip(names, datums, strict=True) if datum.kind == "geoid"}
    notes = []
    if len(told) > 1:
        listed = "; ".join(f"{name}: {datum}" for datum, name in told.items())
        notes.append(f"Several height datums ({listed}): taken as one, which may cost {BETWEEN_GEOIDS_M:g} m (from memory, check).")
    silent = [name for name, datum in zip(names, datums, strict=True) if datum.kind == "not known"]
    if told and silent:
        notes.append(f"{', '.join(silent)}: does not say its height datum, taken as that of the others ({next(iter(told))}).")
    return notes


def _to_geoid(target: HeightDatum, shown: str) -> Transformer:
    """Return what turns heights above the ellipsoid into those of a geoid datum; `InputError` where PROJ lacks the grid for it."""
    base, vertical = CRS.from_user_input(target.base).to_2d(), CRS.from_wkt(target.vertical)
    crs = CompoundCRS(name=f"{base.name} + {vertical.name}", components=[base, vertical])
    with python_warnings.catch_warnings():
        python_warnings.simplefilter("ignore")
        group = TransformerGroup(_ELLIPSOIDAL, crs, always_xy=True, allow_ballpark=False)
    missing = list(
        dict.fromkeys(grid.short_name for way in group.unavailable_operations for grid in way.grids if not grid.available)
    )
    problem = f"holds heights above the ellipsoid, the others above the geoid ({target.name}), and they cannot be turned into these"
    if not group.transformers:
        needed = missing[0] if missing else "for this datum, which PROJ does not name,"
        word = missing[0].rsplit(".", 1)[0] if missing else ""
        fix = f"Install the PROJ grid {needed}"
        fix += f": `pyproj sync --file {word}` fetches it once. " if word else ". "
        raise InputError(
            f"{problem}: the PROJ grid {needed} is not installed", where=shown, fix=f"{fix}Or use rasters of one height datum."
        )
    try:
        return Transformer.from_crs(_ELLIPSOIDAL, crs, always_xy=True, allow_ballpark=False)
    except ProjError as error:
        raise InputError(problem, where=shown, fix="Use rasters of one height datum.") from error


def shift_m(transformer: Transformer, lon_deg: ArrayLike, lat_deg: ArrayLike) -> NDArray[np.float64]:
    """Return what is added to heights above the ellipsoid at places; NaN where the grid of PROJ does not reach."""
    lon, lat = np.asarray(lon_deg, dtype=float), np.asarray(lat_deg, dtype=float)
    _, _, height = transformer.transform(lon, lat, np.zeros_like(lon))
    found = np.asarray(height, dtype=float)
    return np.where(np.isfinite(found), found, np.nan)


def spread_over(shape: tuple[int, int], at: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return values on all cells of a raster from those on a lattice over it, straight in between."""
    rows, columns = (np.linspace(0.0, count - 1.0, size) for count, size in zip(at.shape, shape, strict=True))
    whole = scipy.ndimage.map_coordinates(at, np.meshgrid(rows, columns, indexing="ij"), order=1, mode="nearest")
    return np.asarray(whole, dtype=np.float32)


def lattice(shape: tuple[int, int]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return rows and columns of the places at which a raster of that shape is asked for the difference of datums."""
    sizes = [min(_LATTICE, max(2, count)) for count in shape]
    rows, columns = (np.linspace(0.0, count - 1.0, size) for count, size in zip(shape, sizes, strict=True))
    down, across = np.meshgrid(rows, columns, indexing="ij")
    return down, across
