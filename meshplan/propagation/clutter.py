"""Loss from what stands around an antenna, where the profile does not hold it already.

Use these only for clutter that is in no layer of the plan. Open ground needs none: the low-antenna rule charges it. The loss of
ITU-R P.2108-1 §3.1 is that of an antenna below the tops against one at the tops: it belongs to a path computed from the tops
(`loss.raised_ends`), never to the path from the antenna's own height, which has the ground loss and the steep angle already.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import scipy  # its parts are loaded when they are first used
from numpy.typing import ArrayLike

from meshplan.errors import InputError, nearest_name
from meshplan.propagation.knife_edge import knife_edge_loss_db
from meshplan.units import Array

CLUTTER_HEIGHT_M: Final[dict[str, float]] = {
    "water_sea": 10.0,
    "open_rural": 10.0,
    "suburban": 10.0,
    "urban": 15.0,
    "trees_forest": 15.0,
    "dense_urban": 20.0,
}
"""Kinds of clutter and their usual heights (ITU-R P.2108-1 §3.1)."""

STREET_WIDTH_M: Final = 27.0
"""Usual width of a street (ITU-R P.2108-1 §3.1)."""

CLUTTER_MOST_MHZ: Final = 3000.0
"""Highest frequency of ITU-R P.2108-1 §3.1."""

CLUTTER_SPREAD_DB: Final = 5.0
"""Standard deviation to carry for it (own advice: between the 4 and 6 dB of ITU-R P.2108-1 §3.2)."""

MOST_END_LOSS_DB: Final = 20.0
"""Ceiling of the loss at one end (ITU-R P.452-17 §4.5: 20.2 dB at most): what stands there leaks, has ends and gaps."""

LEAST_ANTENNA_M: Final = 0.3
"""Antennas nearer to the ground count as this high among clutter (own choice: the angle to the tops hardly changes below)."""

CHANCE_LENGTH_M: Final = 60.0
"""Mean way to the first thing that stands between two places of unmapped land (own: one hedge, tree or shed every 60 m of a garden;
hedges alone stand 265-375 m apart on the farmland of the Countryside Survey 2007)."""

LEAFLESS_SHARE: Final = 1.0 / 1.2
"""Share of the loss at an end that bare twigs leave of leaves (ITU-R P.833: about 20 % more in leaf near 1 GHz, from memory)."""


@dataclass(frozen=True)
class LandClass:
    """What stands on land that nobody mapped: equally likely tops, and how far off the method is there.

    `tops_m` are low, middle and high, empty where nothing stands. `leafless_share` scales the loss without leaves.
    """

    words: str
    tops_m: tuple[float, ...]
    model_spread_db: float
    leafless_share: float = 1.0


LAND_CLASSES: Final[dict[str, LandClass]] = {
    "open": LandClass("bare fields, short grass, moor or water, nothing taller than the antennas", (), 7.0),
    "rural": LandClass("fields with hedges, trees, orchards, gardens and farms", (7.0, 10.0, 13.0), 8.0, LEAFLESS_SHARE),
    "suburban": LandClass("a village or suburb", (7.0, 10.0, 13.0), 8.0, LEAFLESS_SHARE),
    "urban": LandClass("a town", (10.0, 15.0, 20.0), 8.0),
    "dense urban": LandClass("the dense middle of a town", (15.0, 20.0, 25.0), 9.0),
    "woodland": LandClass("woodland", (10.0, 15.0, 20.0), 8.0),
}
"""Classes of unmapped land. The middle top is that of ITU-R P.2108-1 §3.1 (10, 10, 15, 20, 15 m; ITU-R P.1812 and P.452 hold
the same within a few metres); low and high span what the Recommendations use for one class (own reading of their tables). Open land
adds nothing (ITU-R P.1812): the line of P.2108 for open land and water is a gain of height that repeats the ground. Spreads: own,
after published comparisons in which no method is better than 8 dB before it is fitted to the place."""

_OPEN = ("water_sea", "open_rural")
_LOW_HEIGHT_URBAN_DB: Final[dict[str, float]] = {"suburban": 0.0, "urban": 6.8, "dense_urban": 2.3}


def height_gain_loss_db(
    kind: str,
    antenna_agl_m: ArrayLike,
    frequency_mhz: ArrayLike,
    *,
    clutter_height_m: ArrayLike | None = None,
    street_width_m: ArrayLike = STREET_WIDTH_M,
) -> Array:
    """Return the loss of an antenna below the tops of what stands around it.

    Parameters
    ----------
    kind : str
        A key of `CLUTTER_HEIGHT_M`.
    antenna_agl_m, frequency_mhz, clutter_height_m, street_width_m : array_like, any shapes that broadcast

    Notes
    -----
    Source
        ITU-R P.2108-1 §3.1.
    Valid for
        30 MHz–3 GHz, heights and widths above zero; NaN outside. 0 when the antenna is at or above the tops.
        Do not add "open_rural" to a link over open ground: the ground is in the low-antenna rule.
    Accuracy
        0.05 dB on the published tests (their rounding).
    """
    if kind not in CLUTTER_HEIGHT_M:
        raise InputError(
            f"'{kind}' is not a kind of clutter.{nearest_name(kind, CLUTTER_HEIGHT_M)}",
            where="argument 'kind'",
            fix=f"Use one of {', '.join(CLUTTER_HEIGHT_M)}.",
        )
    height = np.asarray(antenna_agl_m, dtype=float)
    tops = np.asarray(CLUTTER_HEIGHT_M[kind] if clutter_height_m is None else clutter_height_m, dtype=float)
    width = np.asarray(street_width_m, dtype=float)
    gigahertz = np.asarray(frequency_mhz, dtype=float) / 1000.0
    with np.errstate(divide="ignore", invalid="ignore"):
        if kind in _OPEN:
            loss = -(21.8 + 6.2 * np.log10(gigahertz)) * np.log10(height / tops)
        else:
            rise = np.maximum(tops - height, 0.0)
            angle_deg = np.degrees(np.arctan(rise / width))
            loss = knife_edge_loss_db(0.342 * np.sqrt(gigahertz) * np.sqrt(rise * angle_deg)) - 6.03
        valid = (gigahertz >= 0.03) & (gigahertz <= 3.0) & (height > 0.0) & (tops > 0.0) & (width > 0.0)
        return np.asarray(np.where(valid, np.where(height >= tops, 0.0, np.maximum(loss, 0.0)), np.nan))


def end_loss_db(
    tops_m: ArrayLike, antenna_agl_m: ArrayLike, frequency_mhz: ArrayLike, *, street_width_m: ArrayLike = STREET_WIDTH_M
) -> Array:
    """Return what an antenna loses against one at the tops of what stands around it: the loss to add to the path from the tops.

    Parameters
    ----------
    tops_m, antenna_agl_m, frequency_mhz, street_width_m : array_like, any shapes that broadcast

    Notes
    -----
    Source
        ITU-R P.2108-1 §3.1, equations for built-up land and trees.
    Differs from source
        At most `MOST_END_LOSS_DB`; antennas count at least `LEAST_ANTENNA_M` high; above 3 GHz the loss at 3 GHz.
    Valid for
        30 MHz and more; tops of zero cost nothing.
    Accuracy
        See `loss.raised_ends`.
    """
    height = np.maximum(np.asarray(antenna_agl_m, dtype=float), LEAST_ANTENNA_M)
    tops = np.maximum(np.asarray(tops_m, dtype=float), LEAST_ANTENNA_M)
    frequency = np.minimum(np.asarray(frequency_mhz, dtype=float), CLUTTER_MOST_MHZ)
    loss = height_gain_loss_db("urban", height, frequency, clutter_height_m=tops, street_width_m=street_width_m)
    return np.asarray(np.minimum(loss, MOST_END_LOSS_DB))


def chance_between(distance_m: ArrayLike) -> Array:
    """Return the chance that anything stands between two places of unmapped land: 1 − exp(−d / 60 m), see `CHANCE_LENGTH_M`."""
    return np.asarray(-np.expm1(-np.asarray(distance_m, dtype=float) / CHANCE_LENGTH_M))


def built_up_loss_db(distance_m: ArrayLike, frequency_mhz: ArrayLike, share_of_places: ArrayLike = 0.5) -> Array:
    """Return the clutter loss of one end among houses that is not exceeded at a share of places.

    Parameters
    ----------
    distance_m, frequency_mhz, share_of_places : array_like, any shapes that broadcast
        Length of the path; frequency; share between 0 and 1 (0.5 is the median).

    Notes
    -----
    Source
        ITU-R P.2108-1 §3.2.
    Valid for
        0.5–67 GHz, 250 m and more (count both ends only from 1 km), built-up places; NaN outside, at shares 0 and 1 too.
    Accuracy
        0.05 dB on the published tests (their rounding).
    """
    gigahertz = np.asarray(frequency_mhz, dtype=float) / 1000.0
    kilometres = np.asarray(distance_m, dtype=float) / 1000.0
    share = np.asarray(share_of_places, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        valid = (gigahertz >= 0.5) & (gigahertz <= 67.0) & (kilometres >= 0.25) & (share > 0.0) & (share < 1.0)
        at_distance = _built_up_db(gigahertz, kilometres, share)
        at_two_km = _built_up_db(gigahertz, np.asarray(2.0), share)
        return np.asarray(np.where(valid, np.minimum(at_distance, at_two_km), np.nan))


def _built_up_db(gigahertz: Array, kilometres: Array, share: Array) -> Array:
    long_path = -2.0 * np.log10(10.0 ** (-5.0 * np.log10(gigahertz) - 12.5) + 10.0**-16.5)
    short_path = 32.98 + 23.9 * np.log10(kilometres) + 3.0 * np.log10(gigahertz)
    weight_long = 10.0 ** (-0.2 * long_path)
    weight_short = 10.0 ** (-0.2 * short_path)
    both = weight_long + weight_short
    spread = np.sqrt((16.0 * weight_long + 36.0 * weight_short) / both)
    return np.asarray(-5.0 * np.log10(both) + spread * scipy.special.ndtri(share))


def low_terminals_loss_db(
    distance_m: ArrayLike, frequency_mhz: ArrayLike, kind: Literal["suburban", "urban", "dense_urban"] = "suburban"
) -> Array:
    """Return the median total path loss between two low antennas with houses between them: a bound to check against.

    Parameters
    ----------
    distance_m, frequency_mhz : array_like, any shapes that broadcast
    kind : "suburban", "urban" or "dense_urban"

    Notes
    -----
    Source
        ITU-R P.1411-11 §4.3.1, 9.5 + 45·log10 f + 40·log10 d + term, f in MHz, d in km; standard deviation 7 dB.
    Valid for
        Both antennas 1.9–3 m, 300–3000 MHz, built-up places out of sight; NaN at other frequencies. It is a whole path
        loss: not to be added to anything.
    """
    if kind not in _LOW_HEIGHT_URBAN_DB:
        raise InputError(
            f"'{kind}' is not a built-up kind.{nearest_name(kind, _LOW_HEIGHT_URBAN_DB)}",
            where="argument 'kind'",
            fix=f"Use one of {', '.join(_LOW_HEIGHT_URBAN_DB)}.",
        )
    frequency = np.asarray(frequency_mhz, dtype=float)
    kilometres = np.maximum(np.asarray(distance_m, dtype=float), 1.0) / 1000.0
    loss = 9.5 + 45.0 * np.log10(frequency) + 40.0 * np.log10(kilometres) + _LOW_HEIGHT_URBAN_DB[kind]
    return np.asarray(np.where((frequency >= 300.0) & (frequency <= 3000.0), loss, np.nan))


LOW_TERMINALS_SPREAD_DB: Final = 7.0
"""Standard deviation of `low_terminals_loss_db` (ITU-R P.1411-11 §4.3.1)."""
