"""Ways past cover for a chunk of links in numpy; the rules are those of `meshplan.links.path_loss`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from meshplan.kernels.cover import FoliageGroup, StandingCover

if TYPE_CHECKING:
    from meshplan.kernels.numpy_links import Lines
    from meshplan.kernels.sampled import SampledLinks

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
    rows = np.flatnonzero((crown > 0.0).any(axis=1) | (roof[:, 1:-1] > 0.0).any(axis=1))
    if len(rows) == 0:
        return added, walls, leaves, depths, high, at
    code, crown, roof = code[rows], crown[rows], roof[rows]
    ground, sight = lines.ground[rows], lines.sight[rows]
    step = sampled.distance_m[rows] / (samples - 1)
    near_steps = np.floor(cover.near_an_antenna_m / np.maximum(step, 1e-9) + 1e-9)[:, None]
    from_ends = np.minimum(np.arange(samples), np.arange(samples)[::-1])
    near = from_ends <= near_steps
    weight = np.ones(samples)
    weight[[0, -1]] = 0.5
    within = (crown > 0.0) & (sight < ground + crown)
    group_of = np.asarray(cover.group)[code]
    for number, group in enumerate(cover.groups):
        here = (within & (group_of == number)) * weight
        depth, near_depth = here.sum(axis=1) * step, (here * near).sum(axis=1) * step
        depths[rows, number] = depth
        bearing = sampled.bearing_deg[rows]
        leaves[rows] += foliage_loss_db(group, depth, bearing)
        close[rows] += foliage_loss_db(group, near_depth, bearing)
    below_roof = (roof > 0.0) & (sight < ground + roof)
    entered = below_roof[:, 1:] & (~below_roof[:, :-1] | (code[:, 1:] != code[:, :-1]))
    walls[rows] = (np.asarray(cover.walls_db)[code[:, 1:]] * entered).sum(axis=1)

    has_roof = (roof[:, 1:-1] > 0.0).any(axis=1)
    bare, w, leaf, near_leaf = edge[rows], walls[rows], leaves[rows], close[rows]
    far_crown = np.where(near, np.float32(0.0), crown)
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
