"""Which pairs of stations are worth computing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from meshplan.errors import TooLargeError
from meshplan.records import Role
from meshplan.records.station import Station
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
    starts, ends = np.flatnonzero(rank < 2), np.flatnonzero(rank > 0)
    if not len(starts) or not len(ends):
        return np.empty((0, 2), dtype=np.intp)
    _refuse_too_many(place, starts, ends, reach_m)
    device = np.unique([station.site.same_as or station.site.name for station in stations], return_inverse=True)[1]
    at_once = max(1, _PAIRS_AT_ONCE // len(ends))
    parts = np.split(starts, np.arange(at_once, len(starts), at_once))
    return np.concatenate([_useful(part, ends, place, rank, (site, device), reach_m) for part in parts])


MOST_PAIRS: Final = 5_000_000
"""More links than that are told by name before memory is spent on them: 500 sensors with 5 000 candidates are 2.5 million, with
12.5 million more among the candidates, and each takes about a kilobyte while it is computed (own choice)."""

_PAIRS_AT_ONCE: Final = 4_000_000


def _refuse_too_many(place: NDArray[np.float64], starts: NDArray[np.intp], ends: NDArray[np.intp], reach_m: float) -> None:
    """Raise if more pairs than can be computed may speak; they are counted without being made, two relays once."""
    relays = np.intersect1d(starts, ends)
    count = len(starts) * len(ends) - _twice(len(relays) ** 2, len(relays))
    if count > MOST_PAIRS and np.isfinite(reach_m):
        from scipy.spatial import cKDTree  # noqa: PLC0415 - heavy, and needed for vast properties only

        tree = cKDTree(place[relays])
        count = int(cKDTree(place[starts]).count_neighbors(cKDTree(place[ends]), reach_m))
        count -= _twice(int(tree.count_neighbors(tree, reach_m)), len(relays))
    if count > MOST_PAIRS:
        raise TooLargeError(
            f"{len(starts)} sensors and relays would have about {count / 1e6:.0f} million links with {len(ends)} relays and "
            f"gateways, more than {MOST_PAIRS // 1_000_000} million",
            where="the site files",
            fix="Offer fewer places for relays and gateways, lower generate_relays, or plan the property in parts.",
        )


def _twice(relay_pairs: int, relays: int) -> int:
    """Return how many of the pairs of relays in both directions are one too many: each with itself, and half the rest."""
    return relays + (relay_pairs - relays) // 2


def _useful(
    starts: NDArray[np.intp],
    ends: NDArray[np.intp],
    place: NDArray[np.float64],
    rank: NDArray[np.int_],
    belongs: tuple[NDArray[np.intp], NDArray[np.intp]],
    reach_m: float,
) -> NDArray[np.intp]:
    """Return the pairs from some devices to others that may speak, in order; of two relays the first comes first.

    `belongs` holds the site and the physical device of each station: a sensor that forwards is one with its relay.
    """
    site, device = belongs
    x = place[starts, 0][:, None] - place[ends, 0][None, :]
    y = place[starts, 1][:, None] - place[ends, 1][None, :]
    near = np.hypot(x, y) <= reach_m
    sensor = (rank[starts] == 0)[:, None]
    near &= device[starts][:, None] != device[ends][None, :]
    near &= (site[starts][:, None] != site[ends][None, :]) | sensor
    near &= sensor | (rank[ends] == 2)[None, :] | (starts[:, None] < ends[None, :])
    row, column = np.nonzero(near)
    return np.stack([starts[row], ends[column]], axis=1).astype(np.intp)


_RANK = {Role.SENSOR: 0, Role.RELAY: 1, Role.GATEWAY: 2}


def strongest_allowed_loss_db(stations: Sequence[Station]) -> float:
    """Return the largest path loss that any two of the stations could bear, with `HOPELESS_BELOW_DB` to spare."""
    strongest = max(station.eirp_dbm for station in stations)
    most_sensitive = max(station.receive_gain_db - station.sensitivity_dbm for station in stations)
    return strongest + most_sensitive + HOPELESS_BELOW_DB
