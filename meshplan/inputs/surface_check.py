"""May a surface be taken less the ground? Only where both are of like resolution, and where the difference can be one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from meshplan.errors import InputError
from meshplan.grid import Float32

LIKE_CELLS: Final = 3.0
"""Cells of surface and ground may differ by this factor; beyond it their difference is relief that one lacks (own choice)."""
MOST_BELOW: Final = 0.05
"""Share of the land on which a surface may lie below the ground before one of the two is wrong (own choice)."""
LEAST_BELOW_M: Final = 2.0
BELOW_SD: Final = 3.0
LIFTED_M: Final = 5.0
_LOWEST_SHARE: Final = 2.0
"""Per cent of the land on which a surface should touch the ground, else another datum is likely (own choice)."""


@dataclass(frozen=True)
class CheckedSurface:
    """A surface as far as it may be taken less the ground."""

    heights: Float32
    error_m: float
    """Standard deviation of the difference: both errors together, the greatest of all pairs of rasters."""
    notes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    fault: InputError | None = None


def checked_surface(
    ground: Float32,
    surface: Float32,
    ground_from: NDArray[np.uint8],
    surface_from: NDArray[np.uint8],
    cells_m: Sequence[float],
    errors_m: Sequence[float],
    shown: str,
) -> CheckedSurface:
    """Return a surface without the parts that are of another resolution than the ground below.

    Parameters
    ----------
    ground, surface : arrays of one shape
        Heights on the grid, NaN where not known.
    ground_from, surface_from : arrays of that shape
        Number of the raster that each cell is from.
    cells_m, errors_m : sequences
        Cell and standard deviation of the height error, by number of raster.
    shown : str
        Names of the surface rasters.

    Notes
    -----
    The error of the difference is √(sd_S² + sd_T²), that of two independent errors.
    """
    both = np.isfinite(ground) & np.isfinite(surface)
    if not both.any():
        return CheckedSurface(surface, 0.0)
    cells, errors = np.ones(256), np.zeros(256)
    cells[: len(cells_m)], errors[: len(errors_m)] = cells_m, errors_m
    ratio = cells[surface_from] / cells[ground_from]
    unlike = both & (np.maximum(ratio, 1.0 / ratio) > LIKE_CELLS)
    heights = surface.copy()
    heights[unlike] = np.nan
    notes = []
    if unlike.any():
        notes.append(
            f"{shown}: on {_percent(float(unlike.mean()))} of the land its cells and those of the ground differ by more than "
            f"{LIKE_CELLS:g} times; what stands there is not told from their difference."
        )
    both &= ~unlike
    if not both.any():
        return CheckedSurface(heights, 0.0, tuple(notes))
    sd_m = np.hypot(errors[surface_from], errors[ground_from])[both]
    error_m = float(sd_m.max())
    above = (heights - ground)[both]
    below = above < -np.maximum(BELOW_SD * sd_m, LEAST_BELOW_M)
    if float(below.mean()) > MOST_BELOW:
        return CheckedSurface(heights, error_m, tuple(notes), (), _too_low(shown, above, below))
    lowest_m = float(np.percentile(above, _LOWEST_SHARE))
    warnings = []
    if lowest_m > max(LIFTED_M, BELOW_SD * error_m):
        warnings.append(
            f"{shown}: stands {lowest_m:.0f} m or more above the ground nearly everywhere: another height datum or unit? "
            "What stands on the land would be too high by so much."
        )
    notes.append(f"{shown}: what stands on the land is taken from it less the ground, ± {error_m:.2g} m (both errors, level land).")
    return CheckedSurface(heights, error_m, tuple(notes), tuple(warnings))


def _too_low(shown: str, above: NDArray[np.floating], below: NDArray[np.bool_]) -> InputError:
    return InputError(
        f"lies below the ground on {_percent(float(below.mean()))} of the land, by {-float(np.median(above[below])):.1f} m there",
        where=shown,
        fix="Surface and ground of different height datum, unit, place or date? Correct one of them, or leave the surface out.",
    )


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.01 else "less than 1 %"
