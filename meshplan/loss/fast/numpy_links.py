"""The link kernel in numpy: the same extremes as `compiled_links`, one array operation at a time over a chunk of links."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshplan.loss.fast.constants import RadioPath
from meshplan.loss.fast.cover import StandingCover
from meshplan.loss.fast.numpy_cover import cover_losses
from meshplan.loss.fast.sampled import SampledLinks, shared_table
from meshplan.propagation.diffraction import spherical_earth_loss_db
from meshplan.propagation.free_space import free_space_loss_db, slant_distance_m
from meshplan.propagation.ground import Ground
from meshplan.propagation.knife_edge import knife_edge_loss_db
from meshplan.propagation.two_ray import plane_ground_excess_db

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]
Rows = NDArray[np.integer[Any]] | slice

TERRAIN_COLUMN = 4
"""Column of `losses` that holds edges and smooth ground together."""


@dataclass(frozen=True, eq=False)
class Measured:
    """What the loss formulas need of each link; arrays of shape (n_links,), `depth_m` (n_links, n_groups)."""

    distance_m: Float64
    rise_m: Float64
    nu: Float64
    highest: Float64
    """Least clearance, negative, in metres over sqrt(t(1 − t))."""
    at: NDArray[np.intp]
    start_m: Float64
    end_m: Float64
    added_db: Float64
    walls_db: Float64
    leaves_db: Float64
    depth_m: Float64


class Lines:
    """The lines of sight of a chunk; arrays of shape (n_links, n_samples) in single precision."""

    def __init__(self, sampled: SampledLinks, heights: Float64, path: RadioPath, table: Float32) -> None:
        self.ground = sampled.ground_m
        self.distance_m = sampled.distance_m
        self.wavelength_m = path.terms.wavelength_m
        self.across, self.from_start, self.from_end = (row[1:-1] for row in table[:3])
        part = table[5]
        self.start = self.ground[:, 0] + heights[:, 0].astype(np.float32)
        self.end = self.ground[:, -1] + heights[:, 1].astype(np.float32)
        self.chord = (self.end - self.start)[:, None] * part
        self.chord += self.start[:, None]
        bulge = (sampled.distance_m**2 / (2.0 * path.terms.earth_radius_m)).astype(np.float32)
        self.sight = self.chord - bulge[:, None] * (part - part * part)

    def extremes(self, surface: Float32, rows: Rows = slice(None)) -> tuple[Float64, Float64, NDArray[np.intp]]:
        """Return nu of the Bullington edge over a surface, the least clearance as in `Measured`, and its sample."""
        over = (surface - self.sight[rows])[:, 1:-1]
        work = over * self.from_start
        high_t = work.max(axis=1).astype(float)
        np.multiply(over, self.from_end, out=work)
        high_s = work.max(axis=1).astype(float)
        np.multiply(over, self.across, out=work)
        at = work.argmax(axis=1)
        high = np.take_along_axis(work, at[:, None], axis=1)[:, 0].astype(float)
        distance = self.distance_m[rows]
        scale = np.sqrt(2.0 / (self.wavelength_m * np.where(distance > 0.0, distance, 1.0)))
        nu = np.where(high_t < 0.0, high, np.sqrt(np.maximum(high_t * high_s, 0.0))) * scale
        return nu, high, at + 1

    def edges(self, surface: Float32, rows: Rows = slice(None)) -> tuple[Float64, Float64, NDArray[np.intp]]:
        """Return the same with the Bullington loss in place of nu."""
        nu, high, at = self.extremes(surface, rows)
        return _edge_db(nu, self.distance_m[rows]), high, at


def measure(
    sampled: SampledLinks, heights: Float64, path: RadioPath, cover: StandingCover | None, inside: NDArray[np.int64]
) -> Measured:
    """Reduce a chunk of profiles to what the formulas need."""
    table = shared_table(sampled.samples - 1)
    count = len(sampled.distance_m)
    with np.errstate(invalid="ignore", divide="ignore"):
        lines = Lines(sampled, heights, path, table)
        nu, high, at = lines.extremes(lines.ground)
        start, end = smooth_heights(lines, table)
        added, walls, leaves = np.zeros((3, count))
        depths = np.zeros((count, 0 if cover is None else len(cover.groups)))
        if cover is not None and sampled.code is not None:
            edge = _edge_db(nu, sampled.distance_m)
            added, walls, leaves, depths, high, at = cover_losses(lines, sampled, cover, inside, edge, high, at)
    rise = (lines.end - lines.start).astype(float)
    return Measured(sampled.distance_m, rise, nu, high, at, start, end, added, walls, leaves, depths)


def join(parts: Sequence[Measured]) -> Measured:
    """Put chunks end to end."""
    return Measured(*(np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(Measured)))


def losses(measured: Measured, steps: int, path: RadioPath) -> Float64:
    """Return the numbers of `LinkLosses` by column (all but the last field)."""
    distance = measured.distance_m
    with np.errstate(invalid="ignore", divide="ignore"):
        free = free_space_loss_db(slant_distance_m(distance, measured.rise_m), path.frequency_mhz)
        edge = _edge_db(measured.nu, distance)
        ground, smooth = _smooth_losses(distance, measured.start_m, measured.end_m, steps, path)
        terrain = edge + np.maximum(ground - smooth, 0.0)
        share = -measured.highest / np.sqrt(path.terms.wavelength_m * distance)
        clear_m = -measured.highest / shared_table(steps)[0][measured.at]
    place = measured.at / steps
    columns = (free, edge, smooth, ground, terrain, measured.added_db, share, clear_m, place, measured.walls_db, measured.leaves_db)
    results = np.stack(columns, axis=1)
    spot = distance <= 0.0
    results[spot, 1:] = 0.0
    results[spot, 6:9] = np.nan
    results[np.isnan(measured.start_m)] = np.nan
    return results


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
