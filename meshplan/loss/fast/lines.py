"""Terrain loss of many paths over the same samples: extremes in single precision, one array operation at a time, formulas once.

What `loss.elevation_draws` runs on every draw; the extremes are those of `compiled_links`, the formulas those of `propagation`.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshplan.loss.fast.constants import RadioPath
from meshplan.propagation.diffraction import spherical_earth_loss_db
from meshplan.propagation.ground import Ground
from meshplan.propagation.knife_edge import knife_edge_loss_db
from meshplan.propagation.two_ray import plane_ground_excess_db

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]
Rows = NDArray[np.integer[Any]] | slice


class Lines:
    """The lines of sight of some paths; arrays of shape (n_paths, n_samples) in single precision.

    Heights are metres above a level of each path, so that single precision loses nothing.
    """

    def __init__(self, ground_m: Float32, distance_m: Float64, heights: Float64, path: RadioPath, table: Float32) -> None:
        self.ground = ground_m
        self.distance_m = distance_m
        self.wavelength_m = path.terms.wavelength_m
        self.across, self.from_start, self.from_end = (row[1:-1] for row in table[:3])
        part = table[5]
        self.start = self.ground[:, 0] + heights[:, 0].astype(np.float32)
        self.end = self.ground[:, -1] + heights[:, 1].astype(np.float32)
        self.chord = (self.end - self.start)[:, None] * part
        self.chord += self.start[:, None]
        bulge = (distance_m**2 / (2.0 * path.terms.earth_radius_m)).astype(np.float32)
        self.sight = self.chord - bulge[:, None] * (part - part * part)

    def edge_nu(self, surface: Float32, rows: Rows = slice(None)) -> Float64:
        """Return ν of the Bullington edge over a surface."""
        over = (surface - self.sight[rows])[:, 1:-1]
        work = over * self.from_start
        high_t = work.max(axis=1).astype(float)
        np.multiply(over, self.from_end, out=work)
        high_s = work.max(axis=1).astype(float)
        np.multiply(over, self.across, out=work)
        high = work.max(axis=1).astype(float)
        return edge_nu_of(high_t, high_s, high, self.distance_m[rows], self.wavelength_m)


def edge_nu_of(high_t: Float64, high_s: Float64, high: Float64, distance_m: Float64, wavelength_m: float) -> Float64:
    """Return ν of the Bullington edge from the largest slopes and the largest clearance of the sight line; shapes broadcast."""
    scale = np.sqrt(2.0 / (wavelength_m * np.where(distance_m > 0.0, distance_m, 1.0)))
    return np.asarray(np.where(high_t < 0.0, high, np.sqrt(np.maximum(high_t * high_s, 0.0))) * scale)


def terrain_losses_db(distance_m: Float64, nu: Float64, start_m: Float64, end_m: Float64, steps: int, path: RadioPath) -> Float64:
    """Return the loss of edges and smooth ground together; arrays of shape (n_paths,).

    Parameters
    ----------
    nu : ndarray
        Of the Bullington edge over what stands there.
    start_m, end_m : ndarray
        Antenna heights over the smooth line.
    steps : int
        Between the samples of each profile.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        ground, smooth = _smooth_losses(distance_m, start_m, end_m, steps, path)
        terrain = _edge_db(nu, distance_m) + np.maximum(ground - smooth, 0.0)
    terrain[distance_m <= 0.0] = 0.0
    terrain[np.isnan(start_m)] = np.nan
    return np.asarray(terrain)


def _edge_db(nu: Float64, distance_m: Float64) -> Float64:
    edge = knife_edge_loss_db(nu)
    return np.asarray(edge - np.expm1(-edge / 6.0) * (10.0 + 2e-5 * distance_m))


def smooth_heights(lines: Lines, table: Float32) -> tuple[Float64, Float64]:
    """Return the antenna heights over the smooth line (P.526-16 §4.5.2)."""
    ground = lines.ground
    # row by row: a product of matrices rounds by the place of a row among the others
    fit_start = (ground * table[3]).sum(axis=1).astype(float)
    fit_end = (ground * table[4]).sum(axis=1).astype(float)
    over = ground - lines.chord
    worst = over[:, 1:-1].max(axis=1).astype(float)
    rows = worst > 0.0
    if rows.any():
        blocked = over[rows, 1:-1]
        from_start = np.max(blocked * lines.from_start, axis=1).astype(float)
        from_end = np.max(blocked * lines.from_end, axis=1).astype(float)
        part = worst[rows] / (from_start + from_end)
        fit_start[rows] -= part * from_start
        fit_end[rows] -= part * from_end
    return lines.start - np.minimum(fit_start, ground[:, 0]), lines.end - np.minimum(fit_end, ground[:, -1])


def _smooth_losses(distance: Float64, h1: Float64, h2: Float64, steps: int, path: RadioPath) -> tuple[Float64, Float64]:
    """Return the loss of smooth ground and, where there is any, the Bullington loss over the same smooth line."""
    terms = path.terms
    e1, e2 = np.hypot(h1, terms.least_height_m), np.hypot(h2, terms.least_height_m)
    sphere = spherical_earth_loss_db(
        distance,
        e1,
        e2,
        path.frequency_mhz,
        earth_radius_km=terms.earth_radius_m / 1000.0,
        polarisation=path.polarisation,
        ground=Ground(path.relative_permittivity, path.conductivity_s_per_m),
    )
    ground = np.maximum(sphere, 0.0)
    if path.low_antenna_rule:
        ground = np.maximum(ground, plane_ground_excess_db(distance, e1, e2, path.frequency_mhz))
    edge = np.zeros_like(ground)
    rows = ground > 0.0
    if rows.any():
        edge[rows] = _smooth_edge_db(distance[rows], h1[rows], h2[rows], steps, terms.earth_radius_m, terms.wavelength_m)
    return ground, edge


def _smooth_edge_db(d: Float64, h1: Float64, h2: Float64, steps: int, radius_m: float, wavelength_m: float) -> Float64:
    """Return the Bullington loss over bare smooth ground; each extreme is at one of the two samples beside a known point."""
    step = d / steps
    half = 0.5 / radius_m

    def beside(place: Float64) -> Float64:
        return np.asarray(np.clip(np.floor(place) + np.array([[0.0], [1.0]]), 1.0, steps - 1.0))

    i = beside(np.sqrt(h1 / half) / step)
    steepest = np.max(half * (steps - i) * step - h1 / (i * step), axis=0)
    i = beside(np.sqrt(h2 / half) / step)
    back = np.max(half * (steps - i) * step - h2 / (i * step), axis=0)
    slope = (h2 - h1) / d
    c, m = (h1 - h2) / (h1 + h2), d * d / (4.0 * radius_m * (h1 + h2))
    root = np.arcsin(np.clip(1.5 * c * np.sqrt(3.0 * m / (m + 1.0) ** 3), -1.0, 1.0)) / 3.0
    i = beside(0.5 * steps * (1.0 + 2.0 * np.sqrt((m + 1.0) / (3.0 * m)) * np.sin(root)))
    rise = half * i * (steps - i) * step * step - (h1 * (steps - i) + h2 * i) / steps
    clear = np.max(rise * np.sqrt(2.0 * steps / (wavelength_m * step * i * (steps - i))), axis=0)
    blocked = np.sqrt(2.0 * d * np.maximum((steepest - slope) * (back + slope), 0.0) / wavelength_m)
    return _edge_db(np.where(steepest < slope, clear, blocked), d)


@lru_cache(maxsize=64)
def shared_table(steps: int) -> NDArray[np.float32]:
    """Return what all profiles of one length share, rows as in `compiled_links`: weights of slopes, clearance and smooth fit.

    The fit weights are the two sums of P.526-16 §4.5.2 worked out for equal steps.
    """
    t = np.arange(steps + 1) / steps
    inner = np.clip(t, 0.5 / steps, 1.0 - 0.5 / steps)
    start = (4.0 - 6.0 * t) / steps
    end = (6.0 * t - 2.0) / steps
    start[[0, -1]] = (2.0 - 1.0 / steps) / steps, (1.0 / steps - 1.0) / steps
    end[[0, -1]] = start[[-1, 0]]
    rows = (1.0 / np.sqrt(inner * (1.0 - inner)), 1.0 / inner, 1.0 / (1.0 - inner), start, end, t)
    return np.ascontiguousarray(np.stack(rows), dtype=np.float32)
