"""Gain of the antennas of a link towards each other."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from meshplan.propagation.antenna import omnidirectional_gain_dbi, polarisation_loss_db, sector_gain_dbi
from meshplan.records.station import Station
from meshplan.units import Array

LEAST_RUN_M: Final = 0.1
"""Shortest way on the ground that an elevation angle is taken over."""


def mismatch_loss_db(stations: Sequence[Station], a: NDArray[np.intp], b: NDArray[np.intp]) -> Array:
    """Return what antennas lose that stand at an angle to each other, shape (n_links,); see `polarisation_loss_db`."""
    angle_deg = np.array([station.polarisation_deg for station in stations])
    return polarisation_loss_db(angle_deg[a] - angle_deg[b])


def gain_towards_dbi(
    stations: Sequence[Station],
    a: NDArray[np.intp],
    b: NDArray[np.intp],
    bearing_deg: Array,
    distance_m: Array,
    rise_m: Array,
) -> tuple[Array, Array]:
    """Return the gain of a towards b and of b towards a, each of shape (n_links,).

    Parameters
    ----------
    stations : sequence of Station
    a, b : ndarray, shape (n_links,)
        Stations at the two ends.
    bearing_deg, distance_m : ndarray, shape (n_links,)
        From a to b, the bearing clockwise from the grid's north.
    rise_m : ndarray, shape (n_links,)
        How much higher the antenna of b stands above sea level.

    Notes
    -----
    Source
        ITU-R F.1336-5 reference patterns for round and sector antennas; an antenna whose pattern is not known has its planning gain
        in all directions and carries the nulls in its spread.
    """
    up_deg = np.degrees(np.arctan2(rise_m, np.maximum(distance_m, LEAST_RUN_M)))
    return (
        _gain(stations, a, bearing_deg, up_deg),
        _gain(stations, b, (bearing_deg + 180.0) % 360.0, -up_deg),
    )


def _gain(stations: Sequence[Station], which: NDArray[np.intp], bearing_deg: Array, up_deg: Array) -> Array:
    gain = np.array([station.antenna.gain_dbi for station in stations], dtype=float)[which]
    for station, numbers in _alike(stations, np.unique(which).tolist()):
        antenna, tilt_deg = station.antenna, station.site.tilt_deg
        rows = np.isin(which, numbers)
        if antenna.pattern == "round":
            gain[rows] = omnidirectional_gain_dbi(antenna.gain_dbi, up_deg[rows], downtilt_deg=tilt_deg)
        elif antenna.pattern == "sector" and station.grid_azimuth_deg is not None:
            assert antenna.horizontal_beamwidth_deg is not None, "catalogues refuse sectors without one"
            off_deg = (bearing_deg[rows] - station.grid_azimuth_deg + 180.0) % 360.0 - 180.0
            gain[rows] = sector_gain_dbi(
                antenna.gain_dbi,
                off_deg,
                up_deg[rows],
                horizontal_beamwidth_deg=antenna.horizontal_beamwidth_deg,
                downtilt_deg=tilt_deg,
            )
    return gain


def _alike(stations: Sequence[Station], numbers: Sequence[int]) -> list[tuple[Station, list[int]]]:
    """Return one of each kind of stations whose antennas are of one class and point alike, with the numbers of that kind."""
    found: dict[tuple[int, float, float | None], list[int]] = {}
    for number in numbers:
        station = stations[number]
        found.setdefault((id(station.antenna), station.site.tilt_deg, station.grid_azimuth_deg), []).append(number)
    return [(stations[kind[0]], kind) for kind in found.values()]
