"""Ways past cover for a chunk of links in numpy; the rules are those of `meshplan.loss.path_loss`."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from meshplan.loss.fast.cover import FoliageGroup, StandingCover
from meshplan.propagation.filled_zone import filled_share, loss_of_stretches_db

if TYPE_CHECKING:
    from meshplan.loss.fast.numpy_links import Lines
    from meshplan.loss.fast.sampled import SampledLinks

Float64 = NDArray[np.float64]
Found = tuple[Float64, Float64, Float64, Float64, Float64, NDArray[np.intp]]


def cover_losses(
    lines: Lines,
    sampled: SampledLinks,
    cover: StandingCover,
    inside: NDArray[np.int64],
    edge: Float64,
    high: Float64,
    at: NDArray[np.intp],
) -> Found:
    """Return what cover adds, the loss of walls and of leaves, metres by group, and the least clearance over all that stands."""
    code, crown, roof = _standing(sampled, cover, inside)
    count, samples = code.shape
    depths = np.zeros((count, len(cover.groups)))
    added, walls, leaves, close = np.zeros((4, count))
    high, at = high.copy(), at.copy()
    plants = _plants(lines, sampled, cover)
    covered = np.bincount(plants.pair, minlength=count) > 0
    rows = np.flatnonzero(covered | (crown > 0.0).any(axis=1) | (roof > 0.0).any(axis=1))
    if len(rows) == 0:
        return added, walls, leaves, depths, high, at
    for number, group in enumerate(cover.groups):
        here = plants.group == number
        depth: Float64 = np.bincount(plants.pair[here], plants.metres[here], minlength=count).astype(float)
        near_depth: Float64 = np.bincount(plants.pair[here], plants.near_metres[here], minlength=count).astype(float)
        depths[:, number] = depth
        leaves += foliage_loss_db(group, depth, sampled.bearing_deg)
        close += foliage_loss_db(group, near_depth, sampled.bearing_deg)
    code, crown, roof = code[rows], crown[rows], roof[rows]
    ground = lines.ground[rows]
    built = np.flatnonzero((roof > 0.0).any(axis=1))
    if len(built):
        at_rows = rows[built]
        share = filled_share(ground[built] + roof[built] - lines.sight[at_rows], _zone_m(lines, samples)[at_rows])
        building = np.where(roof[built] > 0.0, code[built], 0)
        walls[at_rows] = loss_of_stretches_db(building, share, np.asarray(cover.walls_db))
    from_end = np.minimum(np.arange(samples), np.arange(samples)[::-1])
    step = sampled.distance_m[rows] / (samples - 1)
    far_share = np.clip(from_end - (cover.near_an_antenna_m / np.maximum(step, 1e-9))[:, None] + 0.5, 0.0, 1.0)

    has_roof = (roof[:, 1:-1] > 0.0).any(axis=1)
    bare, w, leaf, near_leaf = edge[rows], walls[rows], leaves[rows], close[rows]
    far_crown = crown * far_share.astype(np.float32)
    best = np.where(has_roof, np.minimum(np.maximum(lines.edges(ground + roof, rows)[0], bare), bare + w), bare) + leaf
    over_all, high[rows], at[rows] = lines.edges(ground + roof + crown, rows)
    over_far = lines.edges(ground + roof + far_crown, rows)[0] + near_leaf
    best = np.where(leaf > 0.0, np.minimum(best, np.minimum(over_all, over_far)), best)
    both = has_roof & (leaf > 0.0)
    if both.any():
        walled_all = lines.edges(ground + crown, rows)[0] + w
        walled_far = lines.edges(ground + far_crown, rows)[0] + w + near_leaf
        best = np.where(both, np.minimum(best, np.minimum(walled_all, walled_far)), best)
    added[rows] = best - bare
    return added, walls, leaves, depths, high, at


class _Plants(NamedTuple):
    """Plants on the paths of a chunk, cell by cell; shape (n_pieces,)."""

    pair: NDArray[np.intp]
    group: NDArray[np.intp]
    metres: Float64
    near_metres: Float64


def _plants(lines: Lines, sampled: SampledLinks, cover: StandingCover) -> _Plants:
    """Return the metres through each piece of plants, by the part of the Fresnel zone that it fills."""
    pieces = sampled.pieces
    if pieces is None:
        raise AssertionError("these links were sampled without cover")
    last = sampled.samples - 1
    crown = np.asarray(cover.crown_m)[pieces.cover_index]
    if pieces.canopy_m is not None:
        shares = np.asarray(cover.crown_m) > 0.0 if cover.crown_share is None else np.asarray(cover.crown_share)
        crown = np.where(np.isfinite(pieces.canopy_m), pieces.canopy_m * shares[pieces.cover_index], crown)
    group = np.asarray(cover.group)[pieces.cover_index]
    keep = np.flatnonzero((crown > 0.0) & (group >= 0))
    pair, sample = pieces.pair[keep], pieces.sample[keep]
    over = lines.ground[pair, sample] + crown[keep] - lines.sight[pair, sample]
    step = sampled.distance_m[pair] / last
    metres = pieces.share[keep] * filled_share(over, _zone_m(lines, sampled.samples)[pair, sample])
    metres *= step * np.where((sample == 0) | (sample == last), 0.5, 1.0)
    metres = np.nan_to_num(metres)
    from_end = np.minimum(sample, last - sample) * step
    near_share = np.clip((cover.near_an_antenna_m - from_end) / np.where(step > 0.0, step, 1.0) + 0.5, 0.0, 1.0)
    found = np.flatnonzero(metres > 0.0)
    return _Plants(pair[found], group[keep][found], metres[found], (metres * near_share)[found])


def _zone_m(lines: Lines, samples: int) -> Float64:
    """Return the radius of the first Fresnel zone; the ends stand for half a step, whose middle is a quarter of a step away."""
    part = np.clip(np.linspace(0.0, 1.0, samples), 0.25 / (samples - 1), 1.0 - 0.25 / (samples - 1))
    return np.asarray(np.sqrt(lines.wavelength_m * lines.distance_m)[:, None] * np.sqrt(part * (1.0 - part)))


def foliage_loss_db(group: FoliageGroup, depth_m: Float64, bearing_deg: Float64) -> Float64:
    """Return the loss of some metres of one group, see `FoliageGroup`."""
    rate = np.full_like(depth_m, group.across_db_per_m)
    if group.along_db_per_m is not None and group.row_azimuth_deg is not None:
        crossing = np.abs(np.sin(np.radians(bearing_deg - group.row_azimuth_deg)))
        rate = group.along_db_per_m + (group.across_db_per_m - group.along_db_per_m) * crossing
    through = depth_m * rate
    if group.saturates:
        return np.asarray(-group.scale * group.most_db * np.expm1(-through / group.most_db))
    return np.asarray(group.scale * np.minimum(through, group.most_db))


def _standing(
    sampled: SampledLinks, cover: StandingCover, inside: NDArray[np.int64]
) -> tuple[NDArray[np.intp], NDArray[np.float32], NDArray[np.float32]]:
    """Return code, crown and roof of every sample; the buildings around the ends are no obstacles."""
    if sampled.code is None:
        raise AssertionError("these links were sampled without cover")
    code = sampled.code.astype(np.intp)
    around = ((code == inside[:, :1]) | (code == inside[:, 1:])) & (code > 0)
    code[around] = 0
    crown = np.asarray(cover.crown_m, dtype=np.float32)[code]
    roof = np.asarray(cover.roof_m, dtype=np.float32)[code]
    if sampled.canopy_m is not None:
        known = (code > 0) & np.isfinite(sampled.canopy_m)
        for height, share, table in ((crown, cover.crown_share, cover.crown_m), (roof, cover.roof_share, cover.roof_m)):
            shares = np.asarray(table) > 0.0 if share is None else np.asarray(share)
            height[known] = (sampled.canopy_m * shares[code].astype(np.float32))[known]
    return code, crown, roof
