"""Loss over real terrain: Bullington's single edge, the smooth Earth, and the two joined (delta-Bullington).

The joined result already holds the loss of the ground itself. Never add a two-ray or plane-earth loss to it: over flat
ground that would charge the same 10 to 50 dB twice.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meshplan.propagation.ground import REFERENCE_LAND, SEA, Ground, Polarisation, check_polarisation
from meshplan.propagation.knife_edge import knife_edge_loss_db
from meshplan.propagation.refraction import earth_bulge_m
from meshplan.units import SPEED_OF_LIGHT_M_PER_S, Array

SMALLEST_HEIGHT_M: Final = 1e-3
"""Antenna heights below this count as this in the smooth-Earth terms, which are singular at zero (own choice)."""


@dataclass(frozen=True)
class Edge:
    """The single edge that stands for all obstacles of a path; one value per link, shape (...)."""

    loss_db: Array
    nu: Array
    """Height of the edge in Fresnel terms; −inf for a path without inner samples."""
    index: NDArray[np.intp]
    """Sample that blocks or threatens the path most, −1 without inner samples."""
    point_m: Array
    """Distance from the start to where the tangents from both antennas meet; NaN in line of sight."""
    point_over_line_m: Array
    """Height of that point above the straight line between the antennas; NaN in line of sight."""


@dataclass(frozen=True)
class SmoothSurface:
    """The straight ground line fitted under a path; one value per link, shape (...)."""

    fit_start_amsl_m: Array
    fit_end_amsl_m: Array
    """Least-squares line at the two ends."""
    start_amsl_m: Array
    end_amsl_m: Array
    """The same, lowered under obstacles and to the ground at the ends: what diffraction uses."""


@dataclass(frozen=True)
class DiffractionLoss:
    """Loss over terrain in excess of free space, with its parts; one value per link, shape (...).

    total = bullington_actual + max(smooth_earth − bullington_smooth, 0).
    """

    total_db: Array
    bullington_actual_db: Array
    """Loss over the real profile taken as one edge."""
    bullington_smooth_db: Array
    """The same over the bare bulge of the Earth: what the edge method already knows of smooth ground."""
    smooth_earth_db: Array
    """Loss over smooth ground: the spherical part, or the larger of spherical and plane in the low-antenna rule."""
    spherical_db: Array
    plane_db: Array
    """Loss over plane ground in the low-antenna rule, zero in plain delta-Bullington."""
    effective_start_m: Array
    effective_end_m: Array
    """Antenna heights above the fitted smooth surface."""
    edge_index: NDArray[np.intp]
    """Sample that governs the real profile, −1 without inner samples."""

    @property
    def ground_limited(self) -> NDArray[np.bool_]:
        """Whether smooth ground alone would cost anything, whatever stands on it."""
        return np.asarray(self.smooth_earth_db > 1e-9)

    @property
    def ground_db(self) -> Array:
        """The part of the total that smooth ground adds to the edge."""
        return np.asarray(self.total_db - self.bullington_actual_db)

    @property
    def obstacle_db(self) -> Array:
        """The part of the total that what stands above smooth ground is to blame for."""
        return np.asarray(self.total_db - np.maximum(self.smooth_earth_db, self.bullington_smooth_db))


def bullington_loss_db(
    distance_m: ArrayLike,
    obstacle_amsl_m: ArrayLike,
    antenna_start_amsl_m: ArrayLike,
    antenna_end_amsl_m: ArrayLike,
    frequency_mhz: ArrayLike,
    *,
    earth_radius_km: ArrayLike,
    speed_of_light_m_per_s: float = SPEED_OF_LIGHT_M_PER_S,
) -> Edge:
    """Return the loss over a profile whose obstacles are replaced by one edge.

    Parameters
    ----------
    distance_m, obstacle_amsl_m : array_like, shape (..., n)
        Samples from one antenna to the other, and the height of what stands there. The end samples never count.
    antenna_start_amsl_m, antenna_end_amsl_m, frequency_mhz, earth_radius_km : array_like, shape (...)
    speed_of_light_m_per_s : float
        3e8 for the P.526 validation examples, 2.998e8 for P.1812 and P.452, which round it.

    Notes
    -----
    Source
        ITU-R P.526-16 §4.5.1, P.1812-8 §4.3.1.
    Symbols
        e_i = height of sample i with Earth bulge above the straight line between the antennas;
        s1 = max e_i / d_i = Stim − Str, s2 = max e_i / (D − d_i) = Srim + Str.
    Valid for
        Any profile. Inner samples that repeat an end point are left out, so short profiles in a batch may be padded by
        repeating their last sample. Without inner samples the loss is 0.
    Differs from source
        Slopes are taken from the line between the antennas; then ν of the Bullington point is sqrt(2·D·s1·s2 / λ).
        The same number, but it has no 0/0 at grazing and is the same from both ends.
        Without line of sight the index is the sample nearest to the Bullington point among the two that make it.
    Accuracy
        2e-7 dB on the published set of 20. Steps by at most 0.03 dB where ν passes −0.78 (see `knife_edge_loss_db`);
        no step between line of sight and none.
    """
    return _bullington(
        _path(distance_m),
        np.asarray(obstacle_amsl_m, dtype=float),
        np.asarray(antenna_start_amsl_m, dtype=float),
        np.asarray(antenna_end_amsl_m, dtype=float),
        np.asarray(earth_radius_km, dtype=float),
        _wavelength_m(frequency_mhz, speed_of_light_m_per_s),
    )


def smooth_surface(
    distance_m: ArrayLike, ground_amsl_m: ArrayLike, antenna_start_amsl_m: ArrayLike, antenna_end_amsl_m: ArrayLike
) -> SmoothSurface:
    """Return the smooth ground line that fits a profile, for effective antenna heights.

    Parameters
    ----------
    distance_m, ground_amsl_m : array_like, shape (..., n)
        Samples from one antenna to the other and the bare ground there, without trees and houses.
    antenna_start_amsl_m, antenna_end_amsl_m : array_like, shape (...)

    Notes
    -----
    Source
        ITU-R P.526-16 §4.5.2, P.1812-8 §4.3.3–4.3.4 and annex 1 §5.6 (least squares, then lowered under obstacles and
        never above the ground at the ends).
    Valid for
        Any profile; a path of no length takes the ground at its ends.
    Differs from source
        Sums run over distance as a share of the path and heights above the mean of the two ends: same numbers, less
        rounding. The obstruction test has no Earth bulge, as in the source.
    Accuracy
        3e-7 m on the published set of 20, 5e-8 m on the 63 rows of P.1812.
    """
    path = _path(distance_m)
    total, inside = path.total_m, path.inside
    ground = np.asarray(ground_amsl_m, dtype=float)
    start = np.asarray(antenna_start_amsl_m, dtype=float)
    end = np.asarray(antenna_end_amsl_m, dtype=float)
    middle = 0.5 * (ground[..., 0] + ground[..., -1])
    height = ground - middle[..., None]
    t = path.distance_m / np.where(total > 0.0, total, 1.0)
    step = np.diff(t, axis=-1)
    # Moments of the trapezoids about either end; each end has the same form, so swapping ends swaps results exactly.
    near, far = height[..., :-1], height[..., 1:]
    u = 1.0 - t
    about_end = np.sum(step * (near * (2.0 * u[..., :-1] + u[..., 1:]) + far * (u[..., :-1] + 2.0 * u[..., 1:])), -1)
    about_start = np.sum(step * (far * (2.0 * t[..., 1:] + t[..., :-1]) + near * (t[..., 1:] + 2.0 * t[..., :-1])), -1)
    # v1 = (about_start + about_end) / 3, v2 = about_start; hst = 2·v1 − v2, hsr = v2 − v1.
    fit_start = (2.0 * about_end - about_start) / 3.0
    fit_end = (2.0 * about_start - about_end) / 3.0

    a, b = (start - middle)[..., None], (end - middle)[..., None]
    excess = np.where(inside, height - (a * u + b * t), -np.inf)
    obstruction = np.max(excess, axis=-1)
    slope_start = np.max(excess / np.where(inside, t, 1.0), axis=-1)
    slope_end = np.max(excess / np.where(inside, u, 1.0), axis=-1)
    in_the_way = obstruction > 0.0
    slope_start = np.where(in_the_way, slope_start, 1.0)
    slope_end = np.where(in_the_way, slope_end, 1.0)
    lower = np.maximum(obstruction, 0.0)
    lowered_start = fit_start - lower * slope_start / (slope_start + slope_end)
    lowered_end = fit_end - lower * slope_end / (slope_start + slope_end)

    some_length = total[..., 0] > 0.0
    ground_start, ground_end = height[..., 0], height[..., -1]
    return SmoothSurface(
        fit_start_amsl_m=np.asarray(middle + np.where(some_length, fit_start, ground_start)),
        fit_end_amsl_m=np.asarray(middle + np.where(some_length, fit_end, ground_end)),
        start_amsl_m=np.asarray(middle + np.where(some_length, np.minimum(lowered_start, ground_start), ground_start)),
        end_amsl_m=np.asarray(middle + np.where(some_length, np.minimum(lowered_end, ground_end), ground_end)),
    )


def first_term_loss_db(
    distance_m: ArrayLike,
    height_start_m: ArrayLike,
    height_end_m: ArrayLike,
    frequency_mhz: ArrayLike,
    *,
    earth_radius_km: ArrayLike,
    polarisation: Polarisation = "vertical",
    ground: Ground = REFERENCE_LAND,
) -> Array:
    """Return the first term of the residue series over a smooth round Earth; negative where it does not apply.

    Parameters
    ----------
    distance_m, height_start_m, height_end_m, frequency_mhz, earth_radius_km : array_like, shape (...)
        Heights are above the smooth surface.
    polarisation, ground
        See `ground`.

    Notes
    -----
    Source
        ITU-R P.526-16 §3.1.1, P.1812-8 §4.3.3; practical units (21.88, 0.9575).
    Symbols
        K normalised surface admittance, X length, Y height, F(X) distance term, G(Y) height gain.
    Valid for
        Beyond the horizon, f ≥ 10 MHz. Heights below 1 mm count as 1 mm; at no distance the result is very negative.
    Accuracy
        With `spherical_earth_loss_db`: 0.005 dB on the published set of 20 (rounded constants), 1e-5 dB on P.1812.
    """
    vertical = check_polarisation(polarisation)
    gigahertz = np.asarray(frequency_mhz, dtype=float) / 1000.0
    radius = np.asarray(earth_radius_km, dtype=float)
    kilometres = np.maximum(np.asarray(distance_m, dtype=float), 1e-6) / 1000.0
    loss_tangent = 18.0 * np.asarray(ground.conductivity_s_per_m) / gigahertz
    eps = np.asarray(ground.permittivity)
    admittance = 0.036 * (radius * gigahertz) ** (-1.0 / 3.0) * ((eps - 1.0) ** 2 + loss_tangent**2) ** -0.25
    if vertical:
        admittance = admittance * np.sqrt(eps**2 + loss_tangent**2)
    k2 = admittance**2
    beta = (1.0 + 1.6 * k2 + 0.67 * k2**2) / (1.0 + 4.5 * k2 + 1.53 * k2**2)
    x = 21.88 * beta * (gigahertz / radius**2) ** (1.0 / 3.0) * kilometres
    per_metre = 0.9575 * beta * (gigahertz**2 / radius) ** (1.0 / 3.0)
    distance_term = np.where(
        x >= 1.6, 11.0 + 10.0 * np.log10(x) - 17.6 * x, -20.0 * np.log10(x) - 5.6488 * np.minimum(x, 1.6) ** 1.425
    )
    floor = 2.0 + 20.0 * np.log10(admittance)
    gain_start = _height_gain_db(beta * per_metre * np.asarray(height_start_m, dtype=float), floor, beta * per_metre)
    gain_end = _height_gain_db(beta * per_metre * np.asarray(height_end_m, dtype=float), floor, beta * per_metre)
    return np.asarray(-distance_term - (gain_start + gain_end))


def spherical_earth_loss_db(
    distance_m: ArrayLike,
    height_start_m: ArrayLike,
    height_end_m: ArrayLike,
    frequency_mhz: ArrayLike,
    *,
    earth_radius_km: ArrayLike,
    polarisation: Polarisation = "vertical",
    ground: Ground = REFERENCE_LAND,
    sea_fraction: ArrayLike = 0.0,
    speed_of_light_m_per_s: float = SPEED_OF_LIGHT_M_PER_S,
) -> Array:
    """Return the loss over smooth round ground in excess of free space, at any distance.

    Parameters
    ----------
    distance_m, height_start_m, height_end_m, frequency_mhz, earth_radius_km : array_like, shape (...)
        Heights are above the smooth surface.
    polarisation, ground
        See `ground`.
    sea_fraction : array_like, shape (...)
        Share of the path over sea water, 0 to 1; the rest is `ground`.
    speed_of_light_m_per_s : float
        See `bullington_loss_db`.

    Notes
    -----
    Source
        ITU-R P.526-16 §3.2, P.1812-8 §4.3.2 (first term beyond the horizon, scaled Earth and clearance within).
    Valid for
        P.526 sets no shortest distance; checked here against rigorous solutions from 20 m (see `low_antenna`).
    Differs from source
        The cubic's root is written with arcsine: same root, no cancellation on short paths, equal from both ends.
        Negative first terms beyond the horizon are kept, as in the source; `delta_bullington_loss_db` cuts them.
    Accuracy
        0.005 dB on the published set of 20.
    """
    distance = np.asarray(distance_m, dtype=float)
    h1 = np.maximum(np.asarray(height_start_m, dtype=float), SMALLEST_HEIGHT_M)
    h2 = np.maximum(np.asarray(height_end_m, dtype=float), SMALLEST_HEIGHT_M)
    radius = np.asarray(earth_radius_km, dtype=float)
    wavelength = _wavelength_m(frequency_mhz, speed_of_light_m_per_s)
    distance, h1, h2, radius, wavelength = np.broadcast_arrays(distance, h1, h2, radius, wavelength)
    radius_m = 1000.0 * radius
    roots = np.sqrt(h1) + np.sqrt(h2)
    horizon = np.sqrt(2.0 * radius_m) * roots
    beyond = distance >= horizon
    metres = np.where(distance > 0.0, distance, 1.0)

    height = h1 + h2
    c = (h1 - h2) / height
    m = metres**2 / (4.0 * radius_m * height)
    argument = np.clip(1.5 * c * np.sqrt(3.0 * m / (m + 1.0) ** 3), -1.0, 1.0)
    b = 2.0 * np.sqrt((m + 1.0) / (3.0 * m)) * np.sin(np.arcsin(argument) / 3.0)
    to_start = 0.5 * metres * (1.0 + b)
    to_end = 0.5 * metres * (1.0 - b)
    clearance = ((h1 - to_start**2 / (2.0 * radius_m)) * to_end + (h2 - to_end**2 / (2.0 * radius_m)) * to_start) / metres
    required = 17.456 * np.sqrt(np.maximum(to_start * to_end, 0.0) / 1000.0 / metres * wavelength)
    scaled_radius = np.where(beyond, radius, (metres / roots) ** 2 / 2000.0)

    sea_share = np.asarray(sea_fraction, dtype=float)
    land = first_term_loss_db(
        metres, h1, h2, frequency_mhz, earth_radius_km=scaled_radius, polarisation=polarisation, ground=ground
    )
    if np.any(sea_share > 0.0):
        sea = first_term_loss_db(
            metres, h1, h2, frequency_mhz, earth_radius_km=scaled_radius, polarisation=polarisation, ground=SEA
        )
        land = sea_share * sea + (1.0 - sea_share) * land
    blocked_share = np.maximum(1.0 - clearance / np.where(required > 0.0, required, 1.0), 0.0)
    within = blocked_share * np.maximum(land, 0.0)
    loss = np.where(beyond, land, within)
    return np.asarray(np.where(distance <= 0.0, 0.0, loss))


def delta_bullington_loss_db(
    distance_m: ArrayLike,
    ground_amsl_m: ArrayLike,
    obstacle_amsl_m: ArrayLike,
    antenna_start_amsl_m: ArrayLike,
    antenna_end_amsl_m: ArrayLike,
    frequency_mhz: ArrayLike,
    *,
    earth_radius_km: ArrayLike,
    polarisation: Polarisation = "vertical",
    ground: Ground = REFERENCE_LAND,
    sea_fraction: ArrayLike = 0.0,
    speed_of_light_m_per_s: float = SPEED_OF_LIGHT_M_PER_S,
) -> DiffractionLoss:
    """Return the published loss over terrain in excess of free space, with its parts.

    Parameters
    ----------
    distance_m : array_like, shape (..., n)
        Samples from one antenna to the other, first and last exactly at them.
    ground_amsl_m, obstacle_amsl_m : array_like, shape (..., n)
        Bare ground (for the smooth surface), and ground with whatever stands on it (for the edge).
    antenna_start_amsl_m, antenna_end_amsl_m, frequency_mhz, earth_radius_km : array_like, shape (...)
    polarisation, ground, sea_fraction, speed_of_light_m_per_s
        See `spherical_earth_loss_db`.

    Notes
    -----
    Source
        ITU-R P.526-16 §4.5.2, P.1812-8 §4.3.4.
    Valid for
        P.1812 states 0.25–3000 km and antennas 1–3000 m above ground. Nearer and lower, `low_antenna` is the better
        rule: this one is up to 6 dB pessimistic for vertical antennas below a metre, else 0–2 dB optimistic.
        A profile of the two ends alone has no edge but keeps its ground loss; a path of no length has no loss.
        An antenna below ground counts as lying on it: the soil above it is a wall to add.
    Accuracy
        0.005 dB on the 20 published cases, 1e-5 dB on the 63 rows of P.1812.
    """
    surface = smooth_surface(distance_m, ground_amsl_m, antenna_start_amsl_m, antenna_end_amsl_m)
    h1 = np.maximum(np.asarray(antenna_start_amsl_m, dtype=float) - surface.start_amsl_m, 0.0)
    h2 = np.maximum(np.asarray(antenna_end_amsl_m, dtype=float) - surface.end_amsl_m, 0.0)
    spherical = spherical_earth_loss_db(
        _length_m(distance_m),
        h1,
        h2,
        frequency_mhz,
        earth_radius_km=earth_radius_km,
        polarisation=polarisation,
        ground=ground,
        sea_fraction=sea_fraction,
        speed_of_light_m_per_s=speed_of_light_m_per_s,
    )
    return join_edge_and_smooth_earth(
        distance_m,
        obstacle_amsl_m,
        antenna_start_amsl_m,
        antenna_end_amsl_m,
        frequency_mhz,
        effective_start_m=h1,
        effective_end_m=h2,
        spherical_db=spherical,
        plane_db=np.zeros_like(spherical),
        earth_radius_km=earth_radius_km,
        speed_of_light_m_per_s=speed_of_light_m_per_s,
    )


def join_edge_and_smooth_earth(
    distance_m: ArrayLike,
    obstacle_amsl_m: ArrayLike,
    antenna_start_amsl_m: ArrayLike,
    antenna_end_amsl_m: ArrayLike,
    frequency_mhz: ArrayLike,
    *,
    effective_start_m: Array,
    effective_end_m: Array,
    spherical_db: Array,
    plane_db: Array,
    earth_radius_km: ArrayLike,
    speed_of_light_m_per_s: float = SPEED_OF_LIGHT_M_PER_S,
) -> DiffractionLoss:
    """Return edge loss plus what smooth ground costs beyond the edge over the same smooth ground.

    Parameters
    ----------
    distance_m, obstacle_amsl_m : array_like, shape (..., n)
    antenna_start_amsl_m, antenna_end_amsl_m, frequency_mhz, earth_radius_km : array_like, shape (...)
    effective_start_m, effective_end_m : array, shape (...)
        Antenna heights above the fitted smooth surface.
    spherical_db, plane_db : array, shape (...)
        Loss of round and of plane smooth ground; the larger counts, never less than nothing.

    Notes
    -----
    Source
        ITU-R P.526-16 §4.5.2: Ld = La + max(Lsph − Ls, 0); the plane term is the project's own (see `low_antenna`).
    """
    path = _path(distance_m)
    radius = np.asarray(earth_radius_km, dtype=float)
    wavelength = _wavelength_m(frequency_mhz, speed_of_light_m_per_s)
    actual = _bullington(
        path,
        np.asarray(obstacle_amsl_m, dtype=float),
        np.asarray(antenna_start_amsl_m, dtype=float),
        np.asarray(antenna_end_amsl_m, dtype=float),
        radius,
        wavelength,
    )
    level = np.zeros(path.distance_m.shape[-1])
    smooth = _bullington(path, level, effective_start_m, effective_end_m, radius, wavelength)
    smooth_earth = np.maximum(np.maximum(spherical_db, plane_db), 0.0)
    total = actual.loss_db + np.maximum(smooth_earth - smooth.loss_db, 0.0)
    return DiffractionLoss(
        total_db=np.asarray(total),
        bullington_actual_db=actual.loss_db,
        bullington_smooth_db=smooth.loss_db,
        smooth_earth_db=np.asarray(smooth_earth),
        spherical_db=spherical_db,
        plane_db=plane_db,
        effective_start_m=effective_start_m,
        effective_end_m=effective_end_m,
        edge_index=actual.index,
    )


def _height_gain_db(b: Array, floor_db: Array, per_metre: Array) -> Array:
    """Return G(Y) of a normalised height B = βY, never below its floor (P.526-16 §3.1.1.2)."""
    b = np.maximum(b, per_metre * SMALLEST_HEIGHT_M)
    high = np.maximum(b, 2.0) - 1.1
    gain = np.where(b > 2.0, 17.6 * np.sqrt(high) - 5.0 * np.log10(high) - 8.0, 20.0 * np.log10(b + 0.1 * np.minimum(b, 2.0) ** 3))
    return np.asarray(np.maximum(gain, floor_db))


@dataclass(frozen=True)
class _Path:
    """The samples of a path; total is (..., 1), all others (..., n). Ends and repeats of them are not inside."""

    distance_m: Array
    total_m: Array
    rest_m: Array
    inside: NDArray[np.bool_]
    away_m: Array
    """Distance from the start for inner samples, 1 elsewhere."""
    back_m: Array
    """Distance to the end for inner samples, 1 elsewhere."""


def _path(distance_m: ArrayLike) -> _Path:
    distance = np.asarray(distance_m, dtype=float)
    distance = distance - distance[..., :1]
    total = distance[..., -1:]
    rest = total - distance
    inside = (distance > 0.0) & (rest > 0.0)
    return _Path(distance, total, rest, inside, np.where(inside, distance, 1.0), np.where(inside, rest, 1.0))


def _bullington(
    path: _Path, obstacle_amsl_m: Array, start_amsl_m: Array, end_amsl_m: Array, earth_radius_km: Array, wavelength_m: Array
) -> Edge:
    """Return the single edge of prepared samples; see `bullington_loss_db`."""
    total = path.total_m
    length = np.where(total > 0.0, total, 1.0)
    start, end = start_amsl_m[..., None], end_amsl_m[..., None]
    line = (start * path.rest_m + end * path.distance_m) / length
    bulge = earth_bulge_m(path.distance_m, total, earth_radius_km[..., None])
    # Samples that do not count lie infinitely deep.
    excess = np.where(path.inside, obstacle_amsl_m + bulge - line, -np.inf)
    depth = excess * np.sqrt(2.0 * length / (path.away_m * path.back_m))
    seen, index_seen = _largest(depth)
    s1, index_1 = _largest(excess / path.away_m)
    s2, index_2 = _largest(excess / path.back_m)
    blocked = s1 >= 0.0
    up_start, up_end = np.where(blocked, s1, 0.0), np.where(blocked, s2, 0.0)
    nu = np.where(blocked, np.sqrt(2.0 * total[..., 0] * up_start * up_end), seen) / np.sqrt(wavelength_m)
    edge = knife_edge_loss_db(nu)
    loss = edge - np.expm1(-edge / 6.0) * (10.0 + 0.02 * total[..., 0] / 1000.0)

    # The two tangent points make the edge; the one that cuts deeper into the Fresnel zone is the one to show.
    deeper = np.take_along_axis(depth, index_1[..., None], -1) >= np.take_along_axis(depth, index_2[..., None], -1)
    index = np.where(blocked, np.where(deeper[..., 0], index_1, index_2), index_seen)
    index = np.where(path.inside.any(axis=-1), index, -1)
    both = up_start + up_end
    point = total[..., 0] * up_end / np.where(both > 0.0, both, np.nan)
    return Edge(
        loss_db=np.asarray(loss),
        nu=np.asarray(nu),
        index=np.asarray(np.broadcast_to(index, loss.shape)),
        point_m=np.asarray(point),
        point_over_line_m=np.asarray(up_start * point),
    )


def _length_m(distance_m: ArrayLike) -> Array:
    distance = np.asarray(distance_m, dtype=float)
    return np.asarray(distance[..., -1] - distance[..., 0])


def _wavelength_m(frequency_mhz: ArrayLike, speed_of_light_m_per_s: float) -> Array:
    return np.asarray(speed_of_light_m_per_s / 1e6 / np.asarray(frequency_mhz, dtype=float))


def _largest(values: Array) -> tuple[Array, NDArray[np.intp]]:
    """Return the largest value along the path and where it is; NaN wins, as unknown ground must."""
    index = np.asarray(np.argmax(values, axis=-1))
    return np.asarray(np.take_along_axis(values, index[..., None], axis=-1)[..., 0]), index
