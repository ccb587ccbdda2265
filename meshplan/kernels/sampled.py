"""Profiles of many links, sampled once and used for several seasons, antenna heights and radios."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meshplan.errors import InputError
from meshplan.kernels.cover import StandingCover

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
    code: NDArray[np.uint16] | None
    """Cover index of the nearest cell, shape (n_links, n_samples)."""
    canopy_m: Float32 | None

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
    Ground is bilinear between cell centres, a neighbour of no weight does not count; cover is that of the nearest cell.
    """
    held = check_ends(ground_amsl_m, ends)
    rows, columns = ground_amsl_m.shape
    if samples < 3:
        raise InputError(f"{samples} samples leave no inside", where="samples", fix="Give 3 or more.")
    share = np.linspace(0.0, 1.0, samples)
    column = np.clip(held[:, 0, None] + (held[:, 2] - held[:, 0])[:, None] * share, 0.0, columns - 1.0)
    row = np.clip(held[:, 1, None] + (held[:, 3] - held[:, 1])[:, None] * share, 0.0, rows - 1.0)
    c0, r0 = column.astype(np.int32), row.astype(np.int32)
    u, v = (column - c0).astype(np.float32), (row - r0).astype(np.float32)
    at = r0 * np.int32(columns) + c0
    flat = ground_amsl_m.reshape(-1)
    base = flat.take(at[:, :1])
    right = (u > 0.0).astype(np.int32)
    below = (v > 0.0).astype(np.int32) * np.int32(columns)
    p, q = flat.take(at) - base, flat.take(at + right) - base
    s, w = flat.take(at + below) - base, flat.take(at + below + right) - base
    top = p + (q - p) * u
    heights = top + (s + (w - s) * u - top) * v
    code = canopy = None
    if cover is not None:
        near = np.rint(row).astype(np.int32) * np.int32(columns) + np.rint(column).astype(np.int32)
        code = cover.index.reshape(-1).take(near)
        canopy = None if cover.canopy_m is None else cover.canopy_m.reshape(-1).take(near)
    across, down = held[:, 2] - held[:, 0], held[:, 3] - held[:, 1]
    return SampledLinks(
        distance_m=cell_m * np.hypot(across, down),
        bearing_deg=np.degrees(np.arctan2(across, -down)),
        base_amsl_m=base[:, 0],
        ground_m=np.asarray(heights, dtype=np.float32),
        code=code,
        canopy_m=canopy,
    )


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
