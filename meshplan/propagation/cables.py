"""What cable and connectors take between radio and antenna."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from meshplan.errors import InputError
from meshplan.units import Array

CONNECTOR_PAIR_DB: Final = 0.25
"""Loss of one mated pair of coaxial connectors (planning figure, common practice; 0.05–0.6 dB are quoted)."""


def cable_loss_db(
    length_m: ArrayLike, frequency_mhz: ArrayLike, points: Sequence[tuple[float, float]], *, connector_pairs: int = 0
) -> Array:
    """Return the loss of a run of cable with its connectors.

    Parameters
    ----------
    length_m, frequency_mhz : array_like, any shapes that broadcast
    points : sequence of (frequency in MHz, dB per metre)
        From the data sheet or `data/cables.toml`; at least one.
    connector_pairs : int
        Mated pairs, at `CONNECTOR_PAIR_DB` each.

    Notes
    -----
    Source
        Loss between points by a power of frequency, as conductor and dielectric loss together behave.
    Valid for
        Beyond the points the nearest pair's power goes on; a single point is scaled by the square root of frequency
        (conductor loss).
    """
    if not points:
        raise InputError("no cable loss figures", where="argument 'points'", fix="Give at least one pair of MHz and dB per metre.")
    ordered = sorted(points)
    frequencies = np.log(np.array([frequency for frequency, _ in ordered]))
    losses = np.log(np.array([loss for _, loss in ordered]))
    x = np.log(np.asarray(frequency_mhz, dtype=float))
    if len(ordered) == 1:
        log_loss = losses[0] + 0.5 * (x - frequencies[0])
    else:
        slopes = np.diff(losses) / np.diff(frequencies)
        log_loss = (
            np.interp(x, frequencies, losses)
            + slopes[0] * np.minimum(x - frequencies[0], 0.0)
            + slopes[-1] * np.maximum(x - frequencies[-1], 0.0)
        )
    return np.asarray(np.asarray(length_m, dtype=float) * np.exp(log_loss) + connector_pairs * CONNECTOR_PAIR_DB)
