"""The local metric projection: the one of the elevation data if it is true to scale here, else UTM, else one made to measure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from pyproj import CRS, Proj
from pyproj.exceptions import CRSError, ProjError

from meshplan.inputs.vector import point_mover

LARGEST_SCALE_ERROR = 0.0011
"""A length may be off by this share: 1.1 m in a kilometre, the edge of a UTM zone at the equator."""


@dataclass(frozen=True)
class Projection:
    """A metric projection and the words that say why it was taken."""

    crs: str
    title: str
    reason: str


def centre_of(lon_deg: ArrayLike, lat_deg: ArrayLike) -> tuple[float, float]:
    """Return the middle of points; longitudes on both sides of the antimeridian are understood."""
    lon, lat = np.radians(np.asarray(lon_deg, dtype=float)), np.radians(np.asarray(lat_deg, dtype=float))
    x, y, z = (np.cos(lat) * np.cos(lon)).mean(), (np.cos(lat) * np.sin(lon)).mean(), np.sin(lat).mean()
    return math.degrees(math.atan2(y, x)), math.degrees(math.atan2(z, math.hypot(x, y)))


def scale_error(crs: CRS, lon_deg: ArrayLike, lat_deg: ArrayLike) -> float:
    """Return the largest share by which the projection stretches or shrinks lengths at the points; infinite outside it."""
    try:
        factors = Proj(crs).get_factors(np.asarray(lon_deg, dtype=float), np.asarray(lat_deg, dtype=float))
    except (ProjError, CRSError):
        return math.inf
    scales = np.array([factors.tissot_semimajor, factors.tissot_semiminor])
    error = float(np.abs(scales - 1.0).max())
    return error if math.isfinite(error) else math.inf


def is_metric(crs: CRS) -> bool:
    """Whether a projection counts metres east and north."""
    if not crs.is_projected:
        return False
    axes = crs.axis_info[:2]
    return {axis.direction for axis in axes} == {"east", "north"} and all(
        abs(axis.unit_conversion_factor - 1.0) < 1e-9 for axis in axes
    )


def name_of(crs: CRS) -> str:
    """Return "EPSG:…" where the projection has such a code, else its WKT."""
    code = crs.to_epsg(min_confidence=70)
    if code and CRS.from_epsg(code).equals(crs, ignore_axis_order=True):
        return f"EPSG:{code}"
    return str(crs.to_wkt())


def choose_projection(lon_deg: Sequence[float], lat_deg: Sequence[float], raster_crs: Iterable[CRS] = ()) -> Projection:
    """Return the projection in which all work happens.

    Parameters
    ----------
    lon_deg, lat_deg
        Sites and corners of the property.
    raster_crs
        Projections of the elevation rasters that cover it, finest first.
    """
    for compound in raster_crs:
        crs = compound.sub_crs_list[0] if compound.is_compound else compound
        if is_metric(crs) and scale_error(crs, lon_deg, lat_deg) <= LARGEST_SCALE_ERROR:
            return Projection(name_of(crs), crs.name, "the elevation data lie in it")
    lon, lat = centre_of(lon_deg, lat_deg)
    if -80.0 <= lat <= 84.0:
        utm = CRS.from_epsg((32600 if lat >= 0 else 32700) + _utm_zone(lon))
        if scale_error(utm, lon_deg, lat_deg) <= LARGEST_SCALE_ERROR:
            return Projection(name_of(utm), utm.name, "it is the UTM zone of the property")
    own = CRS.from_proj4(f"+proj=tmerc +lat_0={lat:.6f} +lon_0={lon:.6f} +k=1 +x_0=0 +y_0=0 +datum=WGS84 +units=m +no_defs")
    return Projection(
        str(own.to_wkt()),
        f"transverse Mercator about {lon:.4f}, {lat:.4f}",
        "no UTM zone is true to scale over the whole property",
    )


def _utm_zone(lon_deg: float) -> int:
    return math.floor((lon_deg + 180.0) / 6.0) % 60 + 1


def spread_m(lon_deg: Sequence[float], lat_deg: Sequence[float]) -> float:
    """Return about how far the points lie apart, whatever projection will be taken."""
    lon, lat = centre_of(lon_deg, lat_deg)
    own = f"+proj=aeqd +lat_0={lat} +lon_0={lon} +datum=WGS84 +units=m"
    x_m, y_m = point_mover("EPSG:4326", own)(list(lon_deg), list(lat_deg))
    if not (np.isfinite(x_m).all() and np.isfinite(y_m).all()):
        return math.inf
    return float(math.hypot(np.ptp(x_m), np.ptp(y_m)))
