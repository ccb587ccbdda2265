"""Loss through leaves: woods, hedges, orchards, vines and field crops.

Trees on a path count once: through them (these formulas) or over them (the crown as an obstacle in the profile),
whichever loses less; never both. A surface model already holds the trees as solid hills.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from meshplan.errors import InputError, nearest_name
from meshplan.kinds import PLANT_KINDS, PlantKind
from meshplan.propagation.fresnel import fresnel_parameter
from meshplan.propagation.knife_edge import knife_edge_loss_db
from meshplan.propagation.tables import figure_at_frequency
from meshplan.units import Array

WOODLAND_FREQUENCY_MHZ: Final = (105.9, 466.475, 949.0, 1852.2, 2117.5)
WOODLAND_DB_PER_M: Final = (0.04, 0.12, 0.17, 0.30, 0.34)
WOODLAND_MOST_DB: Final = (9.4, 18.0, 26.5, 29.0, 34.1)
"""ITU-R P.833-9 and -10 §2.1, measured table for mixed woodland (transcribed from two public copies)."""

WOODLAND_DB_PER_M_EXPONENT: Final = 0.70
"""Slope of the table's dB/m over frequency, least squares in logarithms; used outside the table."""

WOODLAND_MOST_EXPONENT: Final = 0.42
"""Slope of the table's greatest loss, P.833 gives 1.37·f^0.42 for the same data; used outside the table."""

LEAFLESS_SHARE: Final = 1.0 / 1.2
"""ITU-R P.833-10 §2.1: trees in leaf lose about 20 % more dB per metre than leafless ones near 1 GHz."""


def woodland_db_per_m(frequency_mhz: ArrayLike) -> Array:
    """Return the loss γ of the first metres of woodland in leaf.

    Parameters
    ----------
    frequency_mhz : array_like, any shape

    Notes
    -----
    Source
        ITU-R P.833-10 §2.1, table.
    Valid for
        106–2118 MHz. A power law joins the points; outside them it goes on with the slope of the whole table.
    """
    return _power_law(frequency_mhz, WOODLAND_DB_PER_M, WOODLAND_DB_PER_M_EXPONENT)


def woodland_most_db(frequency_mhz: ArrayLike) -> Array:
    """Return the greatest loss Am through any depth of woodland: beyond it the signal finds ways over and around.

    Parameters
    ----------
    frequency_mhz : array_like, any shape

    Notes
    -----
    Source
        ITU-R P.833-10 §2.1, table.
    Valid for
        As `woodland_db_per_m`; above 2.1 GHz there is hardly any measurement.
    """
    return _power_law(frequency_mhz, WOODLAND_MOST_DB, WOODLAND_MOST_EXPONENT)


def woodland_loss_db(depth_m: ArrayLike, frequency_mhz: ArrayLike) -> Array:
    """Return the loss of a path that ends inside woodland in leaf, or runs through it.

    Parameters
    ----------
    depth_m, frequency_mhz : array_like, any shapes that broadcast
        Metres of the ray between leaves.

    Notes
    -----
    Source
        ITU-R P.833-10 §2.1, Aev = Am·(1 − exp(−d·γ/Am)).
    Valid for
        Roughly level paths, one end in the wood; used for through-paths as well, where it leans to the low side.
    Accuracy
        At the frequencies of the table exact arithmetic; one park is one park: see `vegetation_spread_db`.
    """
    most = woodland_most_db(frequency_mhz)
    depth = np.maximum(np.asarray(depth_m, dtype=float), 0.0)
    return np.asarray(-most * np.expm1(-depth * woodland_db_per_m(frequency_mhz) / most))


def row_loss_db(depth_m: ArrayLike, frequency_mhz: ArrayLike, *, bypass_db: ArrayLike = np.inf) -> Array:
    """Return the loss of a single row or hedge in leaf: straight through it, or past it if that loses less.

    Parameters
    ----------
    depth_m, frequency_mhz : array_like
        Metres of the ray inside the row.
    bypass_db : array_like
        Loss of the way over the top or around the end, whichever is less, see `bypass_loss_db`.

    Notes
    -----
    Source
        ITU-R P.833-10 §3.1: γ·d as long as it is below the loss of the path around the plant; never above Am.
    Valid for
        Stated up to 1 GHz; used above as well, where scattering loses somewhat more.
    """
    depth = np.maximum(np.asarray(depth_m, dtype=float), 0.0)
    through = np.minimum(depth * woodland_db_per_m(frequency_mhz), woodland_most_db(frequency_mhz))
    return np.asarray(np.minimum(through, np.asarray(bypass_db, dtype=float)))


def bypass_loss_db(
    top_height_m: ArrayLike,
    distance_start_m: ArrayLike,
    distance_end_m: ArrayLike,
    frequency_mhz: ArrayLike,
    *,
    side_a_m: ArrayLike = np.inf,
    side_b_m: ArrayLike = np.inf,
) -> Array:
    """Return the loss of the cheapest way past a row, a tree or a wall: over its top or around one of its ends.

    Parameters
    ----------
    top_height_m : array_like
        Height of the top above the straight line between the antennas; negative if the line passes above.
    distance_start_m, distance_end_m, frequency_mhz : array_like
        From the row to the antennas; frequency. All broadcast.
    side_a_m, side_b_m : array_like
        How far the row reaches on either side of the line; negative if the line passes beside that end. Infinite if unknown.

    Notes
    -----
    Source
        ITU-R P.833-10 §3: knife edges over the top and around the sides; the smallest is taken, as an upper bound of `row_loss_db`.
    Valid for
        Rows that are thin against their distance from the antennas. Ground under the side ways is not looked at.
    """
    ways = [
        knife_edge_loss_db(fresnel_parameter(reach, distance_start_m, distance_end_m, frequency_mhz))
        for reach in (top_height_m, side_a_m, side_b_m)
    ]
    return np.asarray(np.minimum(np.minimum(ways[0], ways[1]), ways[2]))


DEEPEST_DENSE_WOOD_M: Final = 400.0
"""Depth up to which the fits to dense woods reach (ECAC-TR-81-101)."""

MODEL_GAP_SHARE: Final = 0.5
"""Standard deviation of woods as a share of the gap between two models (own advice)."""


def exponential_decay_loss_db(depth_m: ArrayLike, frequency_mhz: ArrayLike) -> Array:
    """Return the modified exponential decay loss of dense trees in leaf, the pessimistic bound beside woodland.

    Parameters
    ----------
    depth_m, frequency_mhz : array_like, any shapes that broadcast

    Notes
    -----
    Source
        Weissberger, ECAC-TR-81-101: 0.45·f^0.284·d up to 14 m, 1.33·f^0.284·d^0.588 to 400 m, f in GHz.
    Valid for
        0.23–95 GHz, 400 m; deeper woods keep the value at 400 m.
    Differs from source
        The published halves differ by 0.5 % of their value at 14 m; the first runs up to where they cross (13.9 m).
    """
    gigahertz = np.asarray(frequency_mhz, dtype=float) / 1000.0
    depth = np.clip(np.asarray(depth_m, dtype=float), 0.0, DEEPEST_DENSE_WOOD_M)
    shape = np.minimum(0.45 * depth, 1.33 * depth**0.588)
    return np.asarray(gigahertz**0.284 * shape)


def early_itu_loss_db(depth_m: ArrayLike, frequency_mhz: ArrayLike) -> Array:
    """Return the early ITU loss through trees in leaf, for comparison.

    Parameters
    ----------
    depth_m, frequency_mhz : array_like, any shapes that broadcast

    Notes
    -----
    Source
        Early ITU form 0.2·f^0.3·d^0.6, f in MHz.
    Valid for
        0.2–95 GHz, 400 m; deeper woods keep the value at 400 m.
    """
    depth = np.clip(np.asarray(depth_m, dtype=float), 0.0, DEEPEST_DENSE_WOOD_M)
    return np.asarray(0.2 * np.asarray(frequency_mhz, dtype=float) ** 0.3 * depth**0.6)


def vegetation_spread_db(depth_m: ArrayLike, frequency_mhz: ArrayLike) -> Array:
    """Return the standard deviation to carry for trees: half the gap between the woodland and the dense-tree model.

    Parameters
    ----------
    depth_m, frequency_mhz : array_like, any shapes that broadcast

    Notes
    -----
    Source
        Own advice.
    Valid for
        In leaf; scale with the loss in other seasons.
    """
    gap = exponential_decay_loss_db(depth_m, frequency_mhz) - woodland_loss_db(depth_m, frequency_mhz)
    return np.asarray(MODEL_GAP_SHARE * np.abs(gap))


MOST_SPREAD_DB: Final = 8.0
"""Published fits for orchards and maize span ±8 dB: the spread of a deep path stops there."""


def cover_kind(name: str) -> PlantKind:
    """Return a kind of cover by name; an unknown one is an InputError with the nearest known name."""
    if name not in PLANT_KINDS:
        raise InputError(
            f"'{name}' is not a kind of cover.{nearest_name(name, PLANT_KINDS)}",
            where="argument 'name'",
            fix=f"Use one of {', '.join(PLANT_KINDS)}.",
        )
    return PLANT_KINDS[name]


def cover_loss_db(
    name: str,
    depth_m: ArrayLike,
    frequency_mhz: ArrayLike,
    *,
    leaf_share: ArrayLike = 1.0,
    wet: bool = False,
    row_angle_deg: ArrayLike | None = None,
    bypass_db: ArrayLike = np.inf,
) -> Array:
    """Return the loss of the metres of a ray inside one kind of cover.

    Parameters
    ----------
    name : str
        A key of `PLANT_KINDS`.
    depth_m, frequency_mhz : array_like
        Metres of the ray between leaves (above the ray's entry and below the crown).
    leaf_share : array_like
        0 bare to 1 in full leaf, see `seasons`. Field crops follow their height by month instead; give them 1.
    wet : bool
        Whether leaves are wet.
    row_angle_deg : array_like or None
        Angle between the ray and the rows, 0 along, 90 across. None means unknown and counts as across.
    bypass_db : array_like
        Loss of the way over or around, where it is known; the smaller counts.

    Notes
    -----
    Source
        Woods and hedges: ITU-R P.833-10. Others: planning figures, see `PLANT_KINDS`.
    Valid for
        150 MHz–6 GHz; rows are mixed by sin of the angle, since so many rows are crossed per metre (own rule).
    Accuracy
        ±8 dB on deep paths, see `cover_spread_db`.
    """
    kind = cover_kind(name)
    depth = np.maximum(np.asarray(depth_m, dtype=float), 0.0)
    if kind.form == "woodland":
        full = woodland_loss_db(depth, frequency_mhz)
    elif kind.form == "row":
        full = row_loss_db(depth, frequency_mhz)
    else:
        full = np.minimum(
            depth * _slab_db_per_m(kind, frequency_mhz, row_angle_deg),
            figure_at_frequency(frequency_mhz, kind.most_db),
        )
    leaf = np.clip(np.asarray(leaf_share, dtype=float), 0.0, 1.0)
    season = kind.bare_factor + (1.0 - kind.bare_factor) * leaf
    wetness = 1.0 + kind.wet_add * leaf if wet else 1.0
    return np.asarray(np.minimum(full * season * wetness, np.asarray(bypass_db, dtype=float)))


def cover_spread_db(name: str, depth_m: ArrayLike, frequency_mhz: ArrayLike, loss_db: ArrayLike) -> Array:
    """Return the standard deviation that goes with a loss through cover.

    Parameters
    ----------
    name : str
        A key of `PLANT_KINDS`.
    depth_m, frequency_mhz, loss_db : array_like
        As given to and returned by `cover_loss_db`; no depth has no spread.

    Notes
    -----
    Source
        Woods and hedges: half the gap between two models (`vegetation_spread_db`), less in proportion where the season
        or a way around makes the loss less. Crops: 35 % of the loss, 1–2 dB at
        least, 8 dB at most: published fits span ±8 dB (common practice, no source).
    """
    kind = cover_kind(name)
    depth = np.asarray(depth_m, dtype=float)
    loss = np.asarray(loss_db, dtype=float)
    if kind.form == "slab":
        ramp = np.clip(depth, 0.0, 1.0)
        return np.asarray(np.minimum(kind.least_spread_db * ramp + kind.spread_share * loss, MOST_SPREAD_DB))
    in_leaf = cover_loss_db(name, depth, frequency_mhz)
    season = np.where(in_leaf > 0.0, loss / np.where(in_leaf > 0.0, in_leaf, 1.0), 1.0)
    return np.asarray(np.minimum(vegetation_spread_db(depth, frequency_mhz) * season, MOST_SPREAD_DB))


def _slab_db_per_m(kind: PlantKind, frequency_mhz: ArrayLike, row_angle_deg: ArrayLike | None) -> Array:
    across = figure_at_frequency(frequency_mhz, kind.db_per_m)
    if kind.along_db_per_m is None or row_angle_deg is None:
        return across
    along = figure_at_frequency(frequency_mhz, kind.along_db_per_m)
    crossing = np.abs(np.sin(np.radians(np.asarray(row_angle_deg, dtype=float))))
    return np.asarray(along + (across - along) * crossing)


def _power_law(frequency_mhz: ArrayLike, figures: tuple[float, ...], outer_exponent: float) -> Array:
    """Join points of a table over the logarithm of both, and go on beyond it with one slope."""
    x = np.log(np.asarray(frequency_mhz, dtype=float))
    points = np.log(np.asarray(WOODLAND_FREQUENCY_MHZ))
    outside = x - np.clip(x, points[0], points[-1])
    return np.asarray(np.exp(np.interp(x, points, np.log(np.asarray(figures))) + outer_exponent * outside))
