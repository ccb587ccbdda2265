"""Losses of many links at once, each with its own profile, as compiled code."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meshplan.errors import InputError
from meshplan.loss.fast.constants import RadioPath
from meshplan.loss.fast.cover import StandingCover, cover_terms
from meshplan.loss.fast.lines import shared_table
from meshplan.loss.fast.sweep import check_ground
from meshplan.loss.fast.thread_pool import Notify, Progress, load_compiled, run_pieces

Float64 = NDArray[np.float64]

NO_COVER = np.zeros((1, 1), dtype=np.uint8)

PIECE_SAMPLES = 4_000_000
"""Samples one thread works on before it can be stopped: some 20 ms."""


@dataclass(frozen=True, eq=False)
class LinkLosses:
    """Itemised losses of links; arrays have shape (n_links,), `depth_m` (n_links, n_groups). NaN where ground is unknown.

    The loss in all is `free_space_db` + `terrain_db` + `cover_db`.
    """

    free_space_db: Float64
    edge_db: Float64
    """Bullington loss over bare ground."""
    smooth_edge_db: Float64
    """Bullington loss over the smooth line; 0 where smooth ground costs nothing (it is not needed there)."""
    smooth_ground_db: Float64
    """The larger of round and of plane ground."""
    terrain_db: Float64
    """edge + max(smooth ground − smooth edge, 0)."""
    cover_db: Float64
    """What plants and buildings add on the way that loses least."""
    clearance_share: Float64
    """Least clearance in first Fresnel radii over all that stands there."""
    clearance_m: Float64
    clearance_place: Float64
    """Where that is: 0 at the first end, 1 at the second."""
    walls_db: Float64
    """Two walls of every building on the straight line, by the part of the Fresnel zone that it fills."""
    leaves_db: Float64
    """All leaves on the straight line, likewise."""
    behind_hill_db: Float64
    """Ground loss behind hills (`propagation.behind_hills`), beside the terrain."""
    depth_m: Float64

    @property
    def loss_db(self) -> Float64:
        """Loss in all, but for the ground behind hills."""
        return np.asarray(self.free_space_db + self.terrain_db + self.cover_db)


def link_losses(
    ground_amsl_m: NDArray[np.float32],
    cell_m: float,
    ends: ArrayLike,
    antennas_agl_m: ArrayLike,
    path: RadioPath,
    *,
    samples: int,
    cover: StandingCover | None = None,
    inside: ArrayLike | None = None,
    cores: int | None = None,
    progress: Progress | None = None,
    notify: Notify | None = None,
) -> LinkLosses:
    """Return the itemised loss of every link.

    Parameters
    ----------
    ground_amsl_m : ndarray of float32, shape (rows, columns)
    cell_m : float
    ends : array_like, shape (n_links, 4)
        Column and row of one end, column and row of the other; whole numbers are cell centres.
    antennas_agl_m : array_like, shape (n_links, 2)
        Heights above ground at the two ends.
    path : RadioPath
    samples : int
        Samples of each profile, ends included.
    cover : StandingCover, optional
    inside : array_like of int, shape (n_links, 2), optional
        Cover index of the building around each end, which is then no obstacle; 0 in the open.
    cores, progress, notify
        See `thread_pool`.

    Notes
    -----
    Source
        ITU-R P.525-4, P.526-16 §3.2 and §4.5, the low-antenna rule, bypass paths of cover as in `meshplan.loss.path_loss`.
    Accuracy
        Single precision along the profile: 0.01 dB from the formulas in double precision, mostly below 0.001 dB.
    """
    ground = check_ground(ground_amsl_m)
    held = check_ends(ground, ends)
    heights = _pairs(antennas_agl_m, len(held), float, "antennas_agl_m")
    within = _pairs(np.zeros((len(held), 2)) if inside is None else inside, len(held), np.int64, "inside")
    terms = cover_terms(cover, (ground.shape[0], ground.shape[1]))
    near_cover = NO_COVER if cover is None else cover.beside
    groups = len(cover.groups) if cover is not None else 0
    results = np.zeros((len(held), len(fields(LinkLosses)) - 1))
    depths = np.zeros((len(held), groups))
    if samples < 3:
        raise InputError(f"{samples} samples leave no inside", where="samples", fix="Give 3 or more.")
    run = load_compiled("compiled_links", "link_losses", notify)
    common = samples - 1, float(cell_m), shared_table(samples - 1), path.terms, terms, near_cover, results, depths
    step = max(1, PIECE_SAMPLES // samples)
    pieces = [(ground, held, heights, within, first, min(first + step, len(held)), *common) for first in range(0, len(held), step)]
    run_pieces(run, pieces, cores=cores, progress=progress)
    return _named(results, depths)


def check_ends(ground_amsl_m: NDArray[np.float32], ends: ArrayLike) -> NDArray[np.float64]:
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


def _named(results: Float64, depths: Float64) -> LinkLosses:
    names = (field.name for field in fields(LinkLosses))
    return LinkLosses(**dict(zip(names, (*results.T, depths), strict=True)))


def _pairs(values: ArrayLike, count: int, kind: Any, name: str) -> NDArray[Any]:
    held = np.ascontiguousarray(np.broadcast_to(np.asarray(values, dtype=kind), (count, 2)))
    if kind is float and not (np.isfinite(held).all() and (held > 0.0).all()):
        raise InputError("An antenna height is not a number above zero", where=name, fix="Give metres above ground.")
    return held
