"""Losses of links whose ends stand below the tops of what is around them.

The path is computed from the tops, by the same rules as any other path, and each end adds what an antenna below the tops loses
against one at the tops (ITU-R P.2108-1 §3.1, composed as ITU-R P.452-17 §4.5 does). Adding that loss to the path from the antenna's
own height would count the ground and the steep angle twice. The whole is never less than the loss of the bare path.

Where the tops are not known three heights are equally likely: the forecast is the mean of the losses, and each end has a spread of
its own. Both ends vary one after the other about their middle tops, which five paths tell.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meshplan.loss.path_loss import BUILDING_PATHS, Ends, PathLosses, PathSettings, path_losses
from meshplan.propagation.clutter import CLUTTER_SPREAD_DB, chance_between, end_loss_db
from meshplan.propagation.seasons import Season
from meshplan.records.clutter import EndClutter
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import Profiles, sample_profiles
from meshplan.units import Array

LOW, MIDDLE, HIGH = 0, 1, 2

OVER_THE_ROOF = BUILDING_PATHS.index("over the roof")

VARIANTS = ((MIDDLE, MIDDLE), (LOW, MIDDLE), (HIGH, MIDDLE), (MIDDLE, LOW), (MIDDLE, HIGH))
"""Tops at the first and second end of the five paths."""


@dataclass(frozen=True, eq=False)
class EndTops:
    """The tops around one end of each path; arrays broadcast with shape (n_paths,), tops have it after an axis of three."""

    antenna_agl_m: Array
    tops_m: Array
    street_width_m: Array
    leafless_share: Array
    named: NDArray[np.bool_]
    """One height that somebody named: no chance of open ground between, and a spread of its own."""

    @property
    def counts(self) -> NDArray[np.bool_]:
        """Which paths have tops above the antenna."""
        return np.asarray((self.tops_m > self.antenna_agl_m).any(axis=0))

    def raised_m(self, variant: int) -> Array:
        """Return the height that the path is computed from."""
        return np.asarray(np.maximum(self.antenna_agl_m, self.tops_m[variant]))

    def loss_db(self, variant: int, frequency_mhz: float, distance_m: ArrayLike, leaf_share: ArrayLike) -> Array:
        """Return what the end itself adds, shape of leaf shares and paths broadcast together."""
        full = end_loss_db(self.tops_m[variant], self.antenna_agl_m, frequency_mhz, street_width_m=self.street_width_m)
        chance = np.where(self.named, 1.0, chance_between(distance_m))
        leaves = self.leafless_share + (1.0 - self.leafless_share) * np.asarray(leaf_share, dtype=float)
        return np.asarray(full * chance * leaves)

    def at(self, rows: NDArray[np.bool_] | NDArray[np.intp]) -> EndTops:
        """Return those of some of the paths."""
        return EndTops(
            self.antenna_agl_m[rows], self.tops_m[:, rows], self.street_width_m[rows], self.leafless_share[rows], self.named[rows]
        )


@dataclass(frozen=True, eq=False)
class RaisedLosses:
    """What clutter add to the loss of the bare path, and how little is known of it; shapes (n_seasons, n_paths)."""

    extra_db: Array
    spread_a_db: Array
    spread_b_db: Array


def end_tops(antenna_agl_m: Sequence[float], clutter: Sequence[EndClutter | None], pick: NDArray[np.intp]) -> EndTops:
    """Return the tops around the ends of paths; `pick` names the station at each of them."""
    nothing = EndClutter("open", False, (), 0.0, 0.0, 1.0, 1.0)
    found = [around or nothing for around in clutter]
    return EndTops(
        antenna_agl_m=np.asarray(antenna_agl_m, dtype=float)[pick],
        tops_m=np.array([around.low_middle_high_m for around in found], dtype=float).reshape(-1, 3).T[:, pick],
        street_width_m=np.array([around.street_width_m for around in found])[pick],
        leafless_share=np.array([around.leafless_share for around in found])[pick],
        named=np.array([around.is_one_named_height for around in found], dtype=bool)[pick],
    )


def raised_losses(
    bare_db: Array,
    excess_db: Callable[[Array, Array], Array],
    free_space_db: Array,
    a: EndTops,
    b: EndTops,
    frequency_mhz: float,
    distance_m: Array,
    leaf_share: Array,
) -> RaisedLosses:
    """Return what clutter add to bare paths.

    Parameters
    ----------
    bare_db : ndarray, shape (n_seasons, n_paths)
        Loss between the antennas at their own heights.
    excess_db : callable
        Takes the heights of both ends and returns the loss of those paths over free space, shape (n_seasons, n_paths).
    free_space_db : ndarray, shape (n_paths,)
        Between the antennas where they are.
    a, b : EndTops
    frequency_mhz : float
    distance_m : ndarray, shape (n_paths,)
    leaf_share : ndarray, shape (n_seasons, 1)

    Notes
    -----
    Source
        ITU-R P.2108-1 §3.1 with the order of ITU-R P.452-17 §4.5: ends raised, whole path rule from there, end losses on top; the
        floor at the bare path is ours (the raised path may have less ground loss than a short bare one).
    Accuracy
        Mean and root mean square error +0.9 and 2.6 dB against an integral over two screens (+0.2 and 1.1 dB with an end loss that
        looks at the next edge); the sum errs by +2.0 and 3.0 dB, the larger by −9.4 and 12.3 dB: tests/links/test_raised_ends.py.
    """
    totals: dict[tuple[int, int], Array] = {}
    for top_a, top_b in VARIANTS:
        alike = (MIDDLE if _all_alike(a) else top_a, MIDDLE if _all_alike(b) else top_b)
        if alike not in totals:
            ends = a.loss_db(alike[0], frequency_mhz, distance_m, leaf_share)
            ends = ends + b.loss_db(alike[1], frequency_mhz, distance_m, leaf_share)
            raised = free_space_db + excess_db(a.raised_m(alike[0]), b.raised_m(alike[1])) + ends
            totals[alike] = np.maximum(bare_db, raised)
        totals[top_a, top_b] = totals[alike]
    middle = totals[MIDDLE, MIDDLE]
    by_a = np.stack([totals[LOW, MIDDLE], middle, totals[HIGH, MIDDLE]])
    by_b = np.stack([totals[MIDDLE, LOW], middle, totals[MIDDLE, HIGH]])
    mean = by_a.mean(axis=0) + by_b.mean(axis=0) - middle
    return RaisedLosses(
        extra_db=np.where(np.isnan(mean), 0.0, np.maximum(mean - bare_db, 0.0)),
        spread_a_db=np.nan_to_num(np.hypot(by_a.std(axis=0), _named_spread_db(a, frequency_mhz, distance_m, leaf_share))),
        spread_b_db=np.nan_to_num(np.hypot(by_b.std(axis=0), _named_spread_db(b, frequency_mhz, distance_m, leaf_share))),
    )


def _all_alike(end: EndTops) -> bool:
    """Whether low and high tops raise no end otherwise than the middle ones."""
    return bool((end.tops_m[LOW] == end.tops_m[HIGH]).all() or not end.counts.any())


def _named_spread_db(end: EndTops, frequency_mhz: float, distance_m: Array, leaf_share: Array) -> Array:
    """Return the spread of named clutter: that of ITU-R P.2108-1 §3.2, and never more than they cost."""
    loss = end.loss_db(MIDDLE, frequency_mhz, distance_m, leaf_share)
    return np.where(end.named, np.minimum(loss, CLUTTER_SPREAD_DB), 0.0)


@dataclass(frozen=True, eq=False)
class RaisedPaths:
    """Losses with what clutter add, and the paths on which errors of the ground act: raised where that is what counts."""

    losses: PathLosses
    ends: Ends
    as_mapped_db: Array
    """Terrain and roofs of those paths over the ground as mapped."""
    over_roofs: NDArray[np.bool_]


def raised_paths(
    profiles: Profiles,
    ends: Ends,
    tops: tuple[EndTops, EndTops],
    landscape: Landscape,
    seasons: Sequence[Season],
    settings: PathSettings,
    places: tuple[Array, Array, Array, Array],
    *,
    around_db: Mapping[int, Array],
) -> RaisedPaths:
    """Return the losses of paths with what clutter of their ends add.

    Parameters
    ----------
    profiles : Profiles
    ends : Ends
    tops : tuple of EndTops
        At the first and the second end.
    landscape, seasons, settings, around_db
        As for `path_losses`.
    places : x and y of the first, x and y of the second end
    """
    bare = path_losses(profiles, ends, landscape, seasons, settings, around_db=around_db)
    over_roofs = bare.building_path == OVER_THE_ROOF
    as_mapped_db = bare.terrain_db + np.where(over_roofs, bare.building_db, 0.0)
    rows = np.flatnonzero(tops[0].counts | tops[1].counts)
    if not len(rows):
        return RaisedPaths(bare, ends, as_mapped_db, over_roofs)
    a, b = tops[0].at(rows), tops[1].at(rows)
    x_a, y_a, x_b, y_b = (place[rows] for place in places)
    below = profiles if len(rows) == len(bare.terrain_db) else sample_profiles(landscape, x_a, y_a, x_b, y_b, profiles.samples)
    around = {number: losses[rows] for number, losses in around_db.items()}
    middle: list[PathLosses] = []

    def excess_db(a_agl_m: Array, b_agl_m: Array) -> Array:
        raised = Ends(a_agl_m, b_agl_m, ends.inside_a[rows], ends.inside_b[rows], ends.bearing_deg[rows])
        losses = path_losses(below, raised, landscape, seasons, settings, around_db=around)
        middle.append(losses)
        return losses.total_db - losses.free_space_db

    leaf_share = np.array([[season.leaf_share] for season in seasons])
    added = raised_losses(
        bare.total_db[:, rows],
        excess_db,
        bare.free_space_db[rows],
        a,
        b,
        settings.frequency_mhz,
        below.distance_m,
        leaf_share,
    )
    first = middle[0]
    counts = added.extra_db.max(axis=0) > 0.0
    drawn = rows[counts]
    a_agl_m, b_agl_m = ends.antenna_a_agl_m.copy(), ends.antenna_b_agl_m.copy()
    a_agl_m[drawn], b_agl_m[drawn] = a.raised_m(MIDDLE)[counts], b.raised_m(MIDDLE)[counts]
    over_roofs[drawn] = (first.building_path == OVER_THE_ROOF)[counts]
    as_mapped_db[drawn] = (first.terrain_db + np.where(first.building_path == OVER_THE_ROOF, first.building_db, 0.0))[counts]
    arrays = [np.zeros(bare.total_db.shape) for _ in range(3)]
    for array, values in zip(arrays, (added.extra_db, added.spread_a_db, added.spread_b_db), strict=True):
        array[:, rows] = values
    losses = replace(bare, clutter_db=arrays[0], clutter_spread_a_db=arrays[1], clutter_spread_b_db=arrays[2])
    raised = Ends(a_agl_m, b_agl_m, ends.inside_a, ends.inside_b, ends.bearing_deg)
    return RaisedPaths(losses, raised, as_mapped_db, over_roofs)
