"""Losses of many links at once: chunked numpy for the usual property, compiled code for batches of millions of samples."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meshplan.errors import InputError
from meshplan.loss.fast.constants import RadioPath
from meshplan.loss.fast.cover import StandingCover, cover_terms
from meshplan.loss.fast.numpy_links import Measured, join, losses, measure
from meshplan.loss.fast.sampled import SampledLinks, check_ends, part_of, sample_links, shared_table
from meshplan.loss.fast.sweep import check_ground
from meshplan.loss.fast.thread_pool import Notify, Progress, choose_engine, load_compiled, run_pieces

Float64 = NDArray[np.float64]

CHUNK_SAMPLES = 65_536
"""Samples of a numpy chunk: the dozen arrays of a chunk stay in the second-level cache."""
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
    depth_m: Float64

    @property
    def loss_db(self) -> Float64:
        """Loss in all."""
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
    engine: Literal["auto", "numpy", "compiled"] = "auto",
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
    engine : {"auto", "numpy", "compiled"}
        "auto" takes whichever finishes sooner (`choose_engine`).
    cores, progress, notify
        See `engine`.

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
    chosen = choose_engine(len(held), samples) if engine == "auto" else engine
    groups = len(cover.groups) if cover is not None else 0
    results = np.zeros((len(held), len(fields(LinkLosses)) - 1))
    depths = np.zeros((len(held), groups))
    if samples < 3:
        raise InputError(f"{samples} samples leave no inside", where="samples", fix="Give 3 or more.")
    if chosen == "compiled":
        run = load_compiled("compiled_links", "link_losses", notify)
        common = samples - 1, float(cell_m), shared_table(samples - 1), path.terms, terms, results, depths
        step = max(1, PIECE_SAMPLES // samples)
        compiled = [
            (ground, held, heights, within, first, min(first + step, len(held)), *common) for first in range(0, len(held), step)
        ]
        run_pieces(run, compiled, cores=cores, progress=progress)
    else:
        step = max(1, CHUNK_SAMPLES // samples)

        measured: list[Measured] = []

        def work(first: int, last: int) -> None:
            part = slice(first, last)
            sampled = sample_links(ground, cell_m, held[part], samples, cover=cover)
            measured.append(measure(sampled, heights[part], path, cover, within[part]))

        pieces = [(first, min(first + step, len(held))) for first in range(0, len(held), step)]
        run_pieces(work, pieces, cores=1, progress=progress)
        if measured:
            joined = join(measured)
            results, depths = losses(joined, samples - 1, path), joined.depth_m
    return _named(results, depths)


def losses_of_samples(
    sampled: SampledLinks,
    antennas_agl_m: ArrayLike,
    path: RadioPath,
    *,
    cover: StandingCover | None = None,
    inside: ArrayLike | None = None,
) -> LinkLosses:
    """Return the losses of profiles sampled before; other seasons, heights and radios cost no second sampling.

    Parameters are those of `link_losses`; of `cover` only the tables count here, its rasters were read by `sample_links`.
    """
    count = len(sampled.distance_m)
    heights = _pairs(antennas_agl_m, count, float, "antennas_agl_m")
    within = _pairs(np.zeros((count, 2)) if inside is None else inside, count, np.int64, "inside")
    step = max(1, CHUNK_SAMPLES // sampled.samples)
    parts = []
    for first in range(0, count, step):
        piece = part_of(sampled, first, first + step)
        parts.append(measure(piece, heights[first : first + step], path, cover, within[first : first + step]))
    joined = join(parts)
    return _named(losses(joined, sampled.samples - 1, path), joined.depth_m)


def _named(results: Float64, depths: Float64) -> LinkLosses:
    names = (field.name for field in fields(LinkLosses))
    return LinkLosses(**dict(zip(names, (*results.T, depths), strict=True)))


def _pairs(values: ArrayLike, count: int, kind: Any, name: str) -> NDArray[Any]:
    held = np.ascontiguousarray(np.broadcast_to(np.asarray(values, dtype=kind), (count, 2)))
    if kind is float and not (np.isfinite(held).all() and (held > 0.0).all()):
        raise InputError("An antenna height is not a number above zero", where=name, fix="Give metres above ground.")
    return held
