"""Loss into and inside buildings: whole-building statistics, single walls, rooms.

Entry loss and the building as an obstacle in the profile are alternatives for the same wall; never count both.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import scipy  # its parts are loaded when they are first used
from numpy.typing import ArrayLike

from meshplan.errors import InputError, nearest_name
from meshplan.kinds import WALL_KINDS, WallKind
from meshplan.propagation.tables import figure_at_frequency
from meshplan.units import Array, wavelength_m

ENTRY_COEFFICIENTS: Final[dict[str, tuple[float, ...]]] = {
    "traditional": (12.64, 3.72, 0.96, 9.6, 2.0, 9.1, -3.0, 4.5, -2.0),
    "thermally_efficient": (28.19, -3.00, 8.48, 13.5, 3.8, 27.8, -2.9, 9.4, -2.1),
}
"""r, s, t, u, v, w, x, y, z of ITU-R P.2109 table 1."""


def entry_loss_db(
    building: str, frequency_mhz: ArrayLike, *, not_exceeded_share: ArrayLike = 0.5, elevation_deg: ArrayLike = 0.0
) -> Array:
    """Return the loss from outside a building to a random place inside.

    Parameters
    ----------
    building : str
        "traditional", or "thermally_efficient" (foil insulation, coated glass).
    frequency_mhz, not_exceeded_share, elevation_deg : array_like, any shapes that broadcast
        Share of places, 0 to 1, at which the loss is no greater; angle of the path above the horizon.

    Notes
    -----
    Source
        ITU-R P.2109 eq. (1)–(10), table 1.
    Symbols
        A, B = two lognormal ways in, C = −3 dB; P = `not_exceeded_share`.
    Valid for
        80 MHz–100 GHz. The spread from place to place is in the share: add no second one.
    Accuracy
        5e-4 dB on 568 published values (their rounding).
    """
    if building not in ENTRY_COEFFICIENTS:
        raise InputError(
            f"'{building}' is not a kind of building.{nearest_name(building, ENTRY_COEFFICIENTS)}",
            where="argument 'building'",
            fix=f"Use one of {', '.join(ENTRY_COEFFICIENTS)}.",
        )
    r, s, t, u, v, w, x, y, z = ENTRY_COEFFICIENTS[building]
    log_f = np.log10(np.asarray(frequency_mhz, dtype=float) / 1000.0)
    quantile = scipy.special.ndtri(np.asarray(not_exceeded_share, dtype=float))
    level = r + s * log_f + t * log_f**2 + 0.212 * np.abs(np.asarray(elevation_deg, dtype=float))
    first = level + (u + v * log_f) * quantile
    second = w + x * log_f + (y + z * log_f) * quantile
    return np.asarray(10.0 * np.log10(10.0 ** (0.1 * first) + 10.0 ** (0.1 * second) + 10.0**-0.3))


KNOWN_WALLS: Final = {name: wall for name, wall in WALL_KINDS.items() if wall.low_db is not None}
"""Walls with figures of their own; the others are whole buildings of ITU-R P.2109."""


def wall_kind(name: str) -> WallKind:
    """Return a kind of wall by name; an unknown one is an InputError with the nearest known name."""
    if name not in KNOWN_WALLS:
        raise InputError(
            f"'{name}' is not a kind of wall.{nearest_name(name, KNOWN_WALLS)}",
            where="argument 'name'",
            fix=f"Use one of {', '.join(KNOWN_WALLS)}.",
        )
    return KNOWN_WALLS[name]


def wall_loss_db(name: str, frequency_mhz: ArrayLike) -> Array:
    """Return the planning loss of one wall: the middle of the known range.

    Parameters
    ----------
    name : str
        A key of `KNOWN_WALLS`.
    frequency_mhz : array_like, any shape

    Notes
    -----
    Source
        Planning figures; each has its standing in `KNOWN_WALLS`. Most need a check on site.
    Valid for
        433–2450 MHz, straight in the logarithm of frequency between; see `tables.figure_at_frequency` for outside.
    """
    wall = wall_kind(name)
    middle = [0.5 * (low + high) for low, high in wall.range_db]
    return figure_at_frequency(frequency_mhz, middle)


def wall_spread_db(name: str, frequency_mhz: ArrayLike) -> Array:
    """Return the standard deviation of a wall: half the known range, at least a fifth of the loss and 1 dB (own choice)."""
    wall = wall_kind(name)
    half = [0.5 * (high - low) for low, high in wall.range_db]
    least = np.maximum(0.2 * wall_loss_db(name, frequency_mhz), 1.0)
    return np.asarray(np.maximum(np.interp(_log(frequency_mhz), _log((433.0, 868.0, 2450.0)), half), least))


@dataclass(frozen=True)
class IndoorRoom:
    """Constants of one row of ITU-R P.1238-11 table 2, with its ranges."""

    alpha: float
    beta_db: float
    gamma: float
    spread_db: float
    frequency_ghz: tuple[float, float]
    distance_m: tuple[float, float]


INDOOR_ROOMS: Final[dict[str, IndoorRoom]] = {
    "office_sight": IndoorRoom(1.46, 34.62, 2.03, 3.76, (0.3, 83.5), (2.0, 27.0)),
    "office": IndoorRoom(2.46, 29.53, 2.38, 5.04, (0.3, 82.0), (4.0, 30.0)),
    "corridor_sight": IndoorRoom(1.63, 28.12, 2.25, 4.07, (0.3, 83.5), (2.0, 160.0)),
    "corridor": IndoorRoom(2.77, 29.27, 2.48, 7.63, (0.625, 83.5), (4.0, 94.0)),
    "industrial_sight": IndoorRoom(2.31, 24.52, 2.06, 2.69, (0.625, 70.28), (2.0, 101.0)),
    "industrial": IndoorRoom(3.79, 21.01, 1.34, 9.05, (0.625, 70.28), (5.0, 108.0)),
}
"""ITU-R P.1238-11 table 2, transcribed from one public implementation; "sight" means line of sight."""

Floors = Literal["residential", "office", "commercial"]
_LEGACY_SLOPE: Final[dict[str, float]] = {"residential": 28.0, "office": 30.0, "commercial": 22.0}
_LEGACY_FLOORS_DB: Final[dict[str, tuple[float, float]]] = {
    "residential": (4.0, 4.0),
    "office": (15.0, 4.0),
    "commercial": (6.0, 3.0),
}


def indoor_loss_db(room: str, distance_m: ArrayLike, frequency_mhz: ArrayLike) -> Array:
    """Return the median loss between two antennas on one floor of a building, all of it (not on top of free space).

    Parameters
    ----------
    room : str
        A key of `INDOOR_ROOMS`.
    distance_m, frequency_mhz : array_like, any shapes that broadcast

    Notes
    -----
    Source
        ITU-R P.1238-11 eq. (1), 10·α·log10 d + β + 10·γ·log10 f, f in GHz (β is near the 32.4 dB of 1 m and 1 GHz,
        which settles the unit).
    Valid for
        Ranges in `INDOOR_ROOMS`; the line is carried on outside, down to 1 m. Spread in `INDOOR_ROOMS`.
    """
    if room not in INDOOR_ROOMS:
        raise InputError(
            f"'{room}' is not a kind of room.{nearest_name(room, INDOOR_ROOMS)}",
            where="argument 'room'",
            fix=f"Use one of {', '.join(INDOOR_ROOMS)}.",
        )
    row = INDOOR_ROOMS[room]
    distance = np.maximum(np.asarray(distance_m, dtype=float), 1.0)
    gigahertz = np.asarray(frequency_mhz, dtype=float) / 1000.0
    return np.asarray(10.0 * row.alpha * np.log10(distance) + row.beta_db + 10.0 * row.gamma * np.log10(gigahertz))


def indoor_floors_loss_db(building: Floors, distance_m: ArrayLike, frequency_mhz: ArrayLike, floors: ArrayLike = 0) -> Array:
    """Return the median loss inside a building by the older form, which knows homes and floors.

    Parameters
    ----------
    building : "residential", "office" or "commercial"
    distance_m, frequency_mhz, floors : array_like, any shapes that broadcast
        Floors between the antennas, 0 on the same one.

    Notes
    -----
    Source
        ITU-R P.1238 up to edition 10: 20·log10 f + N·log10 d + Lf(n) − 28, f in MHz; rows for 1.8–2 GHz.
    Valid for
        d ≥ 1 m; used at 433 MHz–2.5 GHz for want of other rows.
    """
    if building not in _LEGACY_SLOPE:
        raise InputError(
            f"'{building}' is not a kind of building.{nearest_name(building, _LEGACY_SLOPE)}",
            where="argument 'building'",
            fix=f"Use one of {', '.join(_LEGACY_SLOPE)}.",
        )
    distance = np.maximum(np.asarray(distance_m, dtype=float), 1.0)
    count = np.asarray(floors, dtype=float)
    first, more = _LEGACY_FLOORS_DB[building]
    through = np.where(count > 0.0, first + more * (count - 1.0), 0.0)
    frequency = np.asarray(frequency_mhz, dtype=float)
    return np.asarray(20.0 * np.log10(frequency) + _LEGACY_SLOPE[building] * np.log10(distance) + through - 28.0)


MATERIALS: Final[dict[str, tuple[float, float, float, float]]] = {
    "concrete": (5.24, 0.0, 0.0462, 0.7822),
    "brick": (3.91, 0.0, 0.0238, 0.16),
    "plasterboard": (2.73, 0.0, 0.0085, 0.9395),
    "wood": (1.99, 0.0, 0.0047, 1.0718),
    "glass": (6.31, 0.0, 0.0036, 1.3394),
    "chipboard": (2.58, 0.0, 0.0217, 0.78),
}
"""a, b, c, d of ITU-R P.2040-3 table 3: permittivity a·f^b, conductivity c·f^d, f in GHz."""


def slab_loss_db(material: str, thickness_m: ArrayLike, frequency_mhz: ArrayLike) -> Array:
    """Return the loss straight through one slab of dry material, with the echoes between its faces.

    Parameters
    ----------
    material : str
        A key of `MATERIALS`.
    thickness_m, frequency_mhz : array_like, any shapes that broadcast

    Notes
    -----
    Source
        ITU-R P.2040-4 (single layer, normal incidence): T = (1 − r²)·e^(−jq) / (1 − r²·e^(−2jq)),
        q = 2π·d·sqrt(η)/λ, r = (1 − sqrt(η))/(1 + sqrt(η)); material constants of table 3.
    Valid for
        1–100 GHz for concrete and plasterboard, carried on below. Real walls are damp, reinforced and hollow: use
        `wall_loss_db` for planning and this for comparison.
    """
    if material not in MATERIALS:
        raise InputError(
            f"'{material}' is not a known material.{nearest_name(material, MATERIALS)}",
            where="argument 'material'",
            fix=f"Use one of {', '.join(MATERIALS)}.",
        )
    a, b, c, d = MATERIALS[material]
    gigahertz = np.asarray(frequency_mhz, dtype=float) / 1000.0
    index = np.sqrt(a * gigahertz**b - 17.98j * c * gigahertz**d / gigahertz)
    phase = 2.0 * np.pi * np.asarray(thickness_m, dtype=float) * index / wavelength_m(frequency_mhz)
    face = (1.0 - index) / (1.0 + index)
    through = (1.0 - face**2) * np.exp(-1j * phase) / (1.0 - face**2 * np.exp(-2j * phase))
    return np.asarray(-20.0 * np.log10(np.abs(through)))


def _log(values: ArrayLike) -> Array:
    return np.asarray(np.log10(np.asarray(values, dtype=float)))
