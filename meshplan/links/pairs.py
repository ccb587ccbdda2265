"""Which pairs of stations are worth computing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from meshplan.links.stations import Station
from meshplan.records import Role
from meshplan.units import Array, wavelength_m

HOPELESS_BELOW_DB = 10.0
"""A pair this far below sensitivity in free space is not computed: no mast and no season would mend it."""


def best_range_m(allowed_loss_db: Array, frequency_mhz: float) -> Array:
    """Return the distance at which free space alone uses up the allowed loss.

    Notes
    -----
    Source
        ITU-R P.525, solved for the distance.
    """
    return np.asarray(wavelength_m(frequency_mhz) / (4.0 * np.pi) * 10.0 ** (np.asarray(allowed_loss_db, dtype=float) / 20.0))


def candidate_pairs(stations: Sequence[Station], *, prune: bool = True) -> NDArray[np.intp]:
    """Return the pairs that could carry a link, shape (n_pairs, 2), each once, first the device further from the gateway.

    Sensors speak to relays and gateways, relays to each other and to gateways; two devices or heights of one place never pair,
    since one of them at most is used, nor does a sensor with the relay that it is itself. A pair is left out when even free space
    between the strongest and the most sensitive ends would leave it `HOPELESS_BELOW_DB` short.

    Parameters
    ----------
    stations : sequence of Station
        All stations of the property.
    prune : bool
        Whether to leave out the hopeless; without it all pairs that may speak are kept.
    """
    if len(stations) < 2:
        return np.empty((0, 2), dtype=np.intp)
    place = np.array([(station.site.x_m, station.site.y_m) for station in stations])
    rank = np.array([_RANK[station.site.role] for station in stations])
    site = np.unique([station.site.place_name for station in stations], return_inverse=True)[1]
    reach_m = (
        float(best_range_m(np.asarray(strongest_allowed_loss_db(stations)), stations[0].radio.frequency_mhz)) if prune else np.inf
    )
    pairs = cKDTree(place).query_pairs(reach_m, output_type="ndarray")
    a, b = pairs[:, 0], pairs[:, 1]
    swap = rank[a] > rank[b]
    a, b = np.where(swap, b, a), np.where(swap, a, b)
    device = np.unique([station.site.same_as or station.site.name for station in stations], return_inverse=True)[1]
    useful = ((site[a] != site[b]) | (rank[a] == 0)) & (rank[b] > 0) & ~((rank[a] == 2) & (rank[b] == 2)) & (device[a] != device[b])
    kept = np.stack([a[useful], b[useful]], axis=1)
    order = np.lexsort((kept[:, 1], kept[:, 0]))
    return np.asarray(kept[order], dtype=np.intp)


_RANK = {Role.SENSOR: 0, Role.RELAY: 1, Role.GATEWAY: 2}


def strongest_allowed_loss_db(stations: Sequence[Station]) -> float:
    """Return the largest path loss that any two of the stations could bear, with `HOPELESS_BELOW_DB` to spare."""
    strongest = max(station.eirp_dbm for station in stations)
    keenest = max(station.receive_gain_db - station.sensitivity_dbm for station in stations)
    return strongest + keenest + HOPELESS_BELOW_DB
