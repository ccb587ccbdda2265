"""Distances and bearings on the WGS 84 ellipsoid."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
from numpy.typing import ArrayLike
from pyproj import Geod, Transformer
from pyproj.enums import TransformDirection

from meshplan.grid import Grid
from meshplan.units import Array


@cache
def _ellipsoid() -> Geod:
    return Geod(ellps="WGS84")


def distance_and_bearing(
    lon_a_deg: ArrayLike, lat_a_deg: ArrayLike, lon_b_deg: ArrayLike, lat_b_deg: ArrayLike
) -> tuple[Array, Array]:
    """Return the geodesic distance in metres and the bearing from a to b in degrees clockwise from true north.

    Parameters
    ----------
    lon_a_deg, lat_a_deg, lon_b_deg, lat_b_deg : array_like, broadcastable
        Positions in degrees, WGS 84.

    Notes
    -----
    Source
        Geodesic of the ellipsoid as solved by pyproj (PROJ).
    """
    lon_a, lat_a, lon_b, lat_b = np.broadcast_arrays(lon_a_deg, lat_a_deg, lon_b_deg, lat_b_deg)
    azimuth, _, distance_m = _ellipsoid().inv(lon_a, lat_a, lon_b, lat_b)
    return np.asarray(distance_m, dtype=float), np.asarray(azimuth, dtype=float) % 360.0


def place_on_grid(grid: Grid, lon_deg: float, lat_deg: float) -> tuple[float, float]:
    """Return x and y on the grid's projection of a place in degrees, WGS 84."""
    x_m, y_m = _to_grid(grid.crs).transform(lon_deg, lat_deg)
    return float(x_m), float(y_m)


def place_in_degrees(grid: Grid, x_m: float, y_m: float) -> tuple[float, float]:
    """Return longitude and latitude, WGS 84, of a place on the grid's projection."""
    lon_deg, lat_deg = _to_grid(grid.crs).transform(x_m, y_m, direction=TransformDirection.INVERSE)
    return float(lon_deg), float(lat_deg)


NORTH_RUN_M = 100.0
"""Way north on the grid over which its direction is taken; the convergence of a projection changes by microdegrees along it."""


def grid_north_deg(grid: Grid, x_m: float, y_m: float) -> float:
    """Return the true bearing of the grid's north at a place, from -180 to 180: a true bearing less this is one on the grid.

    Notes
    -----
    Source
        The meridian convergence of the projection, as the geodesic bearing (PROJ) between two places a short way apart on one
        north-south line of the grid. It is 0 on the central meridian of a transverse Mercator projection and near
        (λ − λ₀)·sin φ beside it.
    """
    here, north = place_in_degrees(grid, x_m, y_m), place_in_degrees(grid, x_m, y_m + NORTH_RUN_M)
    bearing_deg = float(distance_and_bearing(*here, *north)[1])
    return (bearing_deg + 180.0) % 360.0 - 180.0


@cache
def _to_grid(crs: str) -> Transformer:
    return Transformer.from_crs("EPSG:4326", crs, always_xy=True)


def to_degrees(grid: Grid) -> Callable[[float, float], tuple[float, float]]:
    """Return a function from x and y on the grid to longitude and latitude, WGS 84."""
    transformer = Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True)

    def degrees(x_m: float, y_m: float) -> tuple[float, float]:
        lon_deg, lat_deg = transformer.transform(x_m, y_m)
        return float(lon_deg), float(lat_deg)

    return degrees
