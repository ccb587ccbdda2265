"""What clutter add at every cell of the land, from sweeps with raised ends: `loss.raised_ends` for whole rasters."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from meshplan.grid import Float32
from meshplan.loss.elevation_draws_field import ElevationDrawsField
from meshplan.loss.end_clutter import assumed_clutter
from meshplan.loss.fast import SweepLoss
from meshplan.loss.raised_ends import MIDDLE, RaisedLosses, end_tops, raised_losses
from meshplan.propagation.clutter import LAND_CLASSES
from meshplan.records.clutter import EndClutter
from meshplan.records.station import Station
from meshplan.terrain.landscape import Landscape
from meshplan.units import Array

Sweep = Callable[[float, float], SweepLoss]
"""Takes the antenna heights of transmitter and receiver."""


SHARES: Final = (0.0, 0.1, 0.2, 0.35, 0.5, 0.75, 1.0)
"""How far the land counts as unmapped where the loss is computed; only as many as the land needs."""


@dataclass(frozen=True, eq=False)
class RaisedField:
    """What clutter add at each cell, and how little is known of it; shape (rows, columns)."""

    extra_db: Array
    spread_db: Array
    model_spread_db: Array
    """Least spread of the method by the unmapped land at the two ends, 0 where both are mapped."""
    model_share: Array
    drawn: ElevationDrawsField
    """What elevation draws make of the loss: from the middle tops where these raise a path."""


def raised_field(
    landscape: Landscape,
    station: Station,
    receiver_agl_m: float,
    leaf_share: float,
    bare: SweepLoss,
    sweep: Sweep,
    draw: Callable[[float, float], ElevationDrawsField],
) -> RaisedField | None:
    """Return what clutter add between a station and a receiver at every cell; None where neither has any.

    Parameters
    ----------
    landscape : Landscape
        Tells where a receiver stands on unmapped land.
    station : Station
        Transmitter.
    receiver_agl_m : float
    leaf_share : float
        Of the season.
    bare : SweepLoss
        From the true heights.
    sweep : callable
        The same from other heights, run once for each pair of tops.
    draw : callable
        What elevation draws make of the loss from two heights, likewise.

    Notes
    -----
    Differs from source
        Within `FULLY_UNMAPPED_M` of mapped land the loss is laid between those of `SHARES`, where links take tops of their own.
    """
    grid, mapped = landscape.grid, landscape.mapped
    if station.clutter is None and mapped.everything:
        return None
    rows, columns = np.indices(grid.shape)
    share = mapped.unmapped_share(*grid.x_y(columns, rows))
    x, y = grid.x_y(columns, rows)
    distance_m = np.hypot(x - station.site.x_m, y - station.site.y_m)
    done: dict[tuple[float, float], Float32] = {}

    def with_receiver(around: EndClutter | None) -> RaisedLosses:
        one = np.zeros(1, dtype=np.intp)
        ends = [
            end_tops([height], [found], one)
            for height, found in ((station.antenna_agl_m, station.clutter), (receiver_agl_m, around))
        ]
        if not any(end.counts.any() for end in ends):
            nothing = np.zeros((1, bare.loss_db.size))
            return RaisedLosses(nothing, nothing, nothing)

        def excess_db(a_agl_m: Array, b_agl_m: Array) -> Array:
            heights = float(a_agl_m[0]), float(b_agl_m[0])
            if heights not in done:
                raised = sweep(*heights)
                done[heights] = raised.terrain_db + raised.cover_db
            return done[heights].reshape(1, -1).astype(float)

        return raised_losses(
            bare.loss_db.reshape(1, -1).astype(float),
            excess_db,
            (bare.loss_db - bare.terrain_db - bare.cover_db).ravel().astype(float),
            ends[0],
            ends[1],
            station.radio.frequency_mhz,
            distance_m.ravel(),
            np.array([[leaf_share]]),
        )

    def laid(of: RaisedLosses) -> tuple[Array, Array]:
        return of.extra_db.reshape(grid.shape), np.hypot(of.spread_a_db, of.spread_b_db).reshape(grid.shape)

    def middle_heights_m(around: EndClutter | None) -> tuple[float, float]:
        one = np.zeros(1, dtype=np.intp)
        ends = [(station.antenna_agl_m, station.clutter), (receiver_agl_m, around)]
        tops = [end_tops([height], [found], one).raised_m(MIDDLE) for height, found in ends]
        return float(tops[0][0]), float(tops[1][0])

    known: dict[tuple[float, float], ElevationDrawsField] = {}

    def drawn_from(heights_m: tuple[float, float]) -> ElevationDrawsField:
        if heights_m not in known:
            known[heights_m] = draw(*heights_m)
        return known[heights_m]

    low = drawn_from((station.antenna_agl_m, receiver_agl_m))
    elevation, hidden = np.zeros(grid.shape), np.zeros(grid.shape)
    extra, spread = np.zeros(grid.shape), np.zeros(grid.shape)
    for level in SHARES:
        weight = _weight(level, share)
        if not (weight > 0.0).any():
            continue
        there = assumed_clutter(mapped.unmapped, level)
        extra_here, spread_here = laid(with_receiver(there))
        drawn = drawn_from(middle_heights_m(there)) if (extra_here > 0.0).any() else low
        for summed, name in ((elevation, "spread_db"), (hidden, "hidden_relief_db")):
            np.add(summed, weight * np.where(extra_here > 0.0, getattr(drawn, name), getattr(low, name)), out=summed)
        extra, spread = extra + weight * extra_here, spread + weight * spread_here
    around = station.clutter
    own = (0.0, 0.0) if around is None else (around.model_spread_db, around.share)
    on_land = LAND_CLASSES[mapped.unmapped].model_spread_db
    return RaisedField(
        extra_db=extra,
        spread_db=spread,
        model_spread_db=np.stack([np.full(grid.shape, own[0]), np.full(grid.shape, on_land)]),
        model_share=np.stack([np.full(grid.shape, own[1]), share]),
        drawn=ElevationDrawsField(elevation.astype(np.float32), hidden.astype(np.float32), low.finer_db),
    )


def _weight(level: float, share: Array) -> Array:
    """Return the weight of one level where losses are laid linearly between the levels."""
    return np.asarray(np.interp(share, SHARES, [float(level == other) for other in SHARES]))
