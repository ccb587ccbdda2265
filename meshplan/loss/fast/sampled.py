"""Profiles of many links, sampled once and used for several seasons, antenna heights and radios."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meshplan.errors import InputError
from meshplan.loss.fast.cover import StandingCover
from meshplan.terrain.profile import CoverPieces, cover_pieces

Float32 = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class SampledLinks:
    """Land along straight lines between pairs of places; samples equally spaced, first and last on the places themselves.

    Heights are above `base_amsl_m` of the link (the cell of its first end), so that single precision loses nothing.
    """

    distance_m: NDArray[np.float64]
    bearing_deg: NDArray[np.float64]
    base_amsl_m: Float32
    ground_m: Float32
    """Shape (n_links, n_samples); NaN beside unknown ground."""
    code: NDArray[np.unsignedinteger[Any]] | None
    """Cover index of the nearest cell, shape (n_links, n_samples)."""
    canopy_m: Float32 | None
    pieces: CoverPieces | None
    """Cover of the four cells around each sample, by share."""

    @property
    def samples(self) -> int:
        """Samples of each profile, ends included."""
        return int(self.ground_m.shape[1])


def check_ends(ground_amsl_m: Float32, ends: ArrayLike) -> NDArray[np.float64]:
    """Return the ends as an array of shape (n_links, 4) after checking that all lie on the raster."""
    held = np.ascontiguousarray(ends, dtype=np.float64).reshape(-1, 4)
    rows, columns = ground_amsl_m.shape
    most = np.array([columns, rows, columns, rows]) - 0.5
    outside = ~((held >= -0.5) & (held <= most)).all(axis=1)
    if outside.any():
        link = int(np.argmax(outside))
        raise InputError(
            f"{int(outside.sum())} of {len(held)} links end outside the raster",
            where=f"link {link}",
            fix="Read a larger part of the elevation, or leave these links out.",
        )
    return held


def sample_links(
    ground_amsl_m: Float32, cell_m: float, ends: ArrayLike, samples: int, *, cover: StandingCover | None = None
) -> SampledLinks:
    """Sample ground and cover along the lines between pairs of places.

    Parameters
    ----------
    ground_amsl_m : ndarray of float32, shape (rows, columns)
    cell_m : float
    ends : array_like, shape (n_links, 4)
        Column and row of one end, column and row of the other; whole numbers are cell centres.
    samples : int
        Samples of each profile, ends included, at least 3.
    cover : StandingCover, optional
        Only its rasters are read here; heights and losses come with each computation.

    Notes
    -----
    Ground is bilinear between cell centres, a neighbour of no weight does not count; cover is that of the nearest cell, and in
    pieces by the same weights as the ground.
    """
    held = check_ends(ground_amsl_m, ends)
    rows, columns = ground_amsl_m.shape
    if samples < 3:
        raise InputError(f"{samples} samples leave no inside", where="samples", fix="Give 3 or more.")
    share = np.linspace(0.0, 1.0, samples)
    flat = ground_amsl_m.reshape(-1)
    c0, u = _places(held[:, 0], held[:, 2], share, columns)
    r0, v = _places(held[:, 1], held[:, 3], share, rows)
    at = r0 * np.int32(columns)
    at += c0
    base = flat.take(at[:, 0])
    with np.errstate(invalid="ignore"):
        heights = _mix_four(flat, at, 1 if columns > 1 else 0, columns if rows > 1 else 0, u, v)
        heights -= base[:, None]
        for link in np.flatnonzero(np.isnan(heights.sum(axis=1))):
            heights[link] = _beside_voids(flat, at[link], columns if rows > 1 else 0, u[link], v[link]) - base[link]
    code = canopy = pieces = None
    if cover is not None:
        near = at + (u > 0.5) + (v > 0.5) * np.int32(columns)
        code = cover.index.reshape(-1).take(near)
        canopy = None if cover.canopy_m is None else cover.canopy_m.reshape(-1).take(near)
        column, row = at % columns + u.astype(float), at // columns + v.astype(float)
        pieces = cover_pieces(cover.index, cover.canopy_m, column, row, cover.cell_share)
    across, down = held[:, 2] - held[:, 0], held[:, 3] - held[:, 1]
    return SampledLinks(
        distance_m=cell_m * np.hypot(across, down),
        bearing_deg=np.degrees(np.arctan2(across, -down)),
        base_amsl_m=base,
        ground_m=np.asarray(heights, dtype=np.float32),
        code=code,
        canopy_m=canopy,
        pieces=pieces,
    )


def part_of(sampled: SampledLinks, first: int, last: int) -> SampledLinks:
    """Return some of the links."""
    part, pieces = slice(first, last), sampled.pieces
    if pieces is not None:
        here = slice(*np.searchsorted(pieces.pair, [first, last]))
        canopy = None if pieces.canopy_m is None else pieces.canopy_m[here]
        pieces = CoverPieces(pieces.pair[here] - first, pieces.sample[here], pieces.cover_index[here], pieces.share[here], canopy)
    return SampledLinks(
        sampled.distance_m[part],
        sampled.bearing_deg[part],
        sampled.base_amsl_m[part],
        sampled.ground_m[part],
        None if sampled.code is None else sampled.code[part],
        None if sampled.canopy_m is None else sampled.canopy_m[part],
        pieces,
    )


def _places(
    first: NDArray[np.float64], last: NDArray[np.float64], share: NDArray[np.float64], cells: int
) -> tuple[NDArray[np.int32], Float32]:
    """Return the cell before each place along one axis, and the way to the next; beyond the outer centres the border holds."""
    low = np.floor(np.minimum(first, last))
    ways = np.multiply.outer((last - first).astype(np.float32), share.astype(np.float32))
    ways += (first - low).astype(np.float32)[:, None]
    ways[:, -1] = last - low
    if low.min(initial=0.0) < 0.0 or np.maximum(first, last).max(initial=0.0) > cells - 1.0:
        np.clip(ways, -low[:, None], cells - 1.0 - low[:, None], out=ways)
    cell = ways.astype(np.int32)
    np.minimum(cell, np.maximum(cells - 2.0 - low, 0.0).astype(np.int32)[:, None], out=cell)
    ways -= cell
    cell += low.astype(np.int32)[:, None]
    return cell, ways


def _mix_four(flat: Float32, at: NDArray[np.int32], right: int, below: int, u: Float32, v: Float32) -> Float32:
    """Bilinear mean of the cells at `at`, the next column and the next row."""
    top, work = flat.take(at, mode="clip"), flat[right:].take(at, mode="clip")
    work -= top
    work *= u
    top += work
    bottom, work = flat[below:].take(at, mode="clip"), flat[below + right :].take(at, mode="clip")
    work -= bottom
    work *= u
    bottom += work
    bottom -= top
    bottom *= v
    top += bottom
    return top


def _beside_voids(flat: Float32, at: NDArray[np.int32], below: int, u: Float32, v: Float32) -> Float32:
    """Do the same where a cell is unknown; one of no weight does not count."""

    def mix(first: Float32, second: Float32, share: Float32) -> Float32:
        return np.where(share == 0.0, first, np.where(share == 1.0, second, first + (second - first) * share))

    def row_at(shift: int) -> Float32:
        return mix(flat.take(at + shift, mode="clip"), flat.take(at + shift + 1, mode="clip"), u)

    return np.asarray(mix(row_at(0), row_at(below), v), dtype=np.float32)


@lru_cache(maxsize=64)
def shared_table(steps: int) -> NDArray[np.float32]:
    """Return what all profiles of one length share, rows as in `compiled_links`: weights of slopes, clearance and smooth fit.

    The fit weights are the two sums of P.526-16 §4.5.2 worked out for equal steps.
    """
    t = np.arange(steps + 1) / steps
    inner = np.clip(t, 0.5 / steps, 1.0 - 0.5 / steps)
    start = (4.0 - 6.0 * t) / steps
    end = (6.0 * t - 2.0) / steps
    start[[0, -1]] = (2.0 - 1.0 / steps) / steps, (1.0 / steps - 1.0) / steps
    end[[0, -1]] = start[[-1, 0]]
    rows = (1.0 / np.sqrt(inner * (1.0 - inner)), 1.0 / inner, 1.0 / (1.0 - inner), start, end, t)
    return np.ascontiguousarray(np.stack(rows), dtype=np.float32)
