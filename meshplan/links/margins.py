"""From the loss of paths to margins, spreads and chances: the one definition, for links and for whole rasters alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meshplan.loss.antenna_gain import gain_towards_dbi, mismatch_loss_db
from meshplan.loss.uncertainty import CLEAR_MODEL_SPREAD_DB, OBSTRUCTED_MODEL_SPREAD_DB, SOIL_SPREAD_DB
from meshplan.propagation.variability import rayleigh_fade_db
from meshplan.records import Purpose, Role
from meshplan.records.station import Station
from meshplan.units import Array

OBSTRUCTED_FROM_DB: Final = 1.0
"""Loss of obstacles above smooth ground from which a path counts as obstructed."""

TREND_SUCCESS: Final = 0.90
ALARM_SUCCESS: Final = 0.95
"""Share of places, echoes included, in which a single try must succeed: readings that may be repeated, and those that must not."""


@dataclass(frozen=True, eq=False)
class Margins:
    """Gains, powers and margins of paths between stations; gains have shape (n_paths,), the rest that of the losses."""

    gain_a_dbi: Array
    gain_b_dbi: Array
    received_at_b_dbm: Array
    received_at_a_dbm: Array
    at_b_db: Array
    at_a_db: Array

    @property
    def weaker_db(self) -> Array:
        """Margin of the weaker direction that the radios need."""
        return np.asarray(np.minimum(self.at_b_db, self.at_a_db))


def link_margins(
    stations: Sequence[Station],
    a: NDArray[np.intp],
    b: NDArray[np.intp],
    bearing_deg: Array,
    distance_m: Array,
    rise_m: Array,
    loss_db: Array,
    weather_db: ArrayLike,
    indoors: NDArray[np.bool_] | None = None,
) -> Margins:
    """Return powers and margins of paths.

    Parameters
    ----------
    stations : sequence of Station
    a, b : ndarray, shape (n_paths,)
        Stations at the two ends.
    bearing_deg, distance_m, rise_m : ndarray, shape (n_paths,)
        From a to b; the rise is between the antennas.
    loss_db : ndarray, shape (..., n_paths)
        Between the antennas, hidden relief included.
    weather_db : array_like
        Loss at each wet antenna; broadcasts with `loss_db`.
    indoors : ndarray of bool, shape (n_paths,), optional
        Paths that stay inside one building: of the walls around the antennas only those that close round the antenna itself count.
    """
    inside = np.zeros(len(a), dtype=bool) if indoors is None else indoors
    gain_a, gain_b = gain_towards_dbi(stations, a, b, bearing_deg, distance_m, rise_m)
    power = np.array([station.tx_power_dbm for station in stations])
    local = np.array([station.local_loss_db for station in stations])
    entry = np.array([station.entry_loss_db for station in stations])
    lid = np.array([station.lid_loss_db for station in stations])
    needed = np.array([station.sensitivity_dbm for station in stations])
    speaks = np.array([station.can_speak for station in stations])
    hears = np.array([station.can_hear for station in stations])
    entry_a, entry_b = (np.where(inside, lid[end], entry[end]) for end in (a, b))
    ends = gain_a + gain_b - mismatch_loss_db(stations, a, b) - local[a] - local[b] - entry_a - entry_b
    between = ends - loss_db - 2.0 * np.asarray(weather_db)
    at_b, at_a = power[a] + between, power[b] + between
    a_to_b, b_to_a = speaks[a] & hears[b], speaks[b] & hears[a]
    unheard = np.inf
    margin_b = np.where(a_to_b, at_b - needed[b], unheard)
    margin_a = np.where(b_to_a, at_a - needed[a], unheard)
    margin_b = np.where(~a_to_b & ~b_to_a, -np.inf, margin_b)
    return Margins(gain_a, gain_b, at_b, at_a, margin_b, margin_a)


def fade_margin_db(a: Station, b: Station) -> float:
    """Return the reserve for echoes that a link between two stations needs.

    Notes
    -----
    Source
        Rayleigh distribution below its median: 8.2 dB for a trend sensor (90 % of single tries), 11.3 dB for alarms, control
        and the links between relays and gateways (95 %).
    """
    sensors = [station for station in (a, b) if station.site.role is Role.SENSOR]
    relaxed = bool(sensors) and all(station.site.purpose is Purpose.TREND for station in sensors)
    return float(rayleigh_fade_db(TREND_SUCCESS if relaxed else ALARM_SUCCESS))


def model_spread_db(obstacles_db: Array, unmapped_ends: Sequence[tuple[Array, Array]]) -> Array:
    """Return the spread of the method on paths of some loss by obstacles above smooth ground, in whatever season that is most.

    `unmapped_ends` holds for each end the least spread of unmapped land there, and how far the land counts as unmapped.
    """
    method = np.where(obstacles_db > OBSTRUCTED_FROM_DB, OBSTRUCTED_MODEL_SPREAD_DB, CLEAR_MODEL_SPREAD_DB)
    return on_unmapped_land(method, unmapped_ends)


def on_unmapped_land(model_db: Array, ends: Sequence[tuple[Array, Array]]) -> Array:
    """Return the spread of the method, at least that of unmapped land at either end; it grows with the share that is unmapped."""
    found = [model_db + share * np.maximum(least - model_db, 0.0) for least, share in ends]
    return np.asarray(np.maximum(*found))


def soil_spread_db(ground_limited: NDArray[np.bool_]) -> Array:
    """Return the spread by unknown soil, which counts where smooth ground costs anything."""
    return np.where(ground_limited, SOIL_SPREAD_DB, 0.0)


def antenna_spread_db(
    stations: Sequence[Station], a: NDArray[np.intp], b: NDArray[np.intp], indoors: NDArray[np.bool_] | None = None
) -> Array:
    """Return the spread of both antennas and of the walls around them, shape (n_paths,)."""
    inside = np.zeros(len(a), dtype=bool) if indoors is None else indoors
    antenna = np.array([station.antenna.spread_db for station in stations])
    entry = np.array([station.entry_spread_db for station in stations])
    walls = np.where(inside, 0.0, np.hypot(entry[a], entry[b]))
    return np.asarray(np.sqrt(antenna[a] ** 2 + antenna[b] ** 2 + walls**2))


def spread_of_all_db(
    model_db: ArrayLike,
    elevation_db: ArrayLike,
    soil_db: ArrayLike,
    antenna_db: ArrayLike,
    vegetation_db: ArrayLike,
    clutter_db: ArrayLike,
) -> Array:
    """Return the standard deviation of all causes together; they are independent."""
    fixed = np.square(model_db) + np.square(elevation_db) + np.square(soil_db) + np.square(antenna_db)
    return np.asarray(np.sqrt(fixed + np.square(vegetation_db) + np.square(clutter_db)))
