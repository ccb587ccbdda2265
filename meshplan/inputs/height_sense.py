"""Do heights look like land in metres? Rasters without a unit may be in feet, decimetres or centimetres, empty, or wrapped.

Nothing here changes a height. What cannot be land, or looks like another unit, is told; two rasters that differ by the factor of a
unit are a fault, since one of them must be wrong.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from meshplan.errors import InputError
from meshplan.grid import Float32

FACTORS: Final[dict[float, str]] = {
    1 / 0.3048: "feet taken for metres",
    10.0: "decimetres taken for metres",
    100.0: "centimetres taken for metres",
}
"""How many times too great heights are (0.3048 m to the foot is exact), and why."""

STEEP_DEG: Final = 60.0
"""Beyond the slope at which soil and most rock stand over wide parts (own choice; loose ground rests below 45°)."""
WIDE_SHARE: Final = 0.05
"""Share of steep cells from which it is no single cliff (own choice)."""
LOWEST_M: Final = -440.0
HIGHEST_M: Final = 8_850.0
"""The lowest shore (about -430 m) and the highest summit (8 849 m) of the Earth: common geography, from memory."""
LARGEST_DATUM_STEP_M: Final = 120.0
"""Height datums differ by no more: the geoid lies -106 m to +85 m from the ellipsoid (from memory)."""
RECORDER_ERROR_M: Final = 15.0
"""Heights of a phone's receiver stray by this and more, mostly each place by itself (common practice, no source)."""
_ALIKE_M: Final = 8.0
"""Range of the middle half of differences that is one step for all places rather than the straying of each (own choice)."""
_FEWEST_PLACES: Final = 3
_FEWEST_CELLS: Final = 50
_MOSTLY: Final = 0.5
_FACTOR_TOLERANCE: Final = 0.06
_RATIO_STRAY: Final = 0.4
"""How far the factor of a single place may be off, for the straying of its height (own choice)."""
_LEAST_CORRELATION: Final = 0.95
_LEAST_RELIEF_M: Final = 2.0
"""Standard deviation of heights below which their relief tells no factor."""


def height_facts(ground_m: Float32, cell_m: float) -> str:
    """Return range and slopes of the land in words; empty where nothing is known."""
    known = ground_m[np.isfinite(ground_m)]
    if not known.size:
        return ""
    slopes = slopes_deg(ground_m, cell_m)
    words = f"{known.min():.1f} to {known.max():.1f} m"
    if not slopes.size:
        return words
    middle, steep = np.percentile(slopes, (50.0, 99.0))
    return f"{words}; slope {middle:.0f}° in the middle, {steep:.0f}° at the steepest hundredth"


def slopes_deg(ground_m: NDArray[Any], cell_m: float) -> NDArray[np.float64]:
    """Return the slopes of all cells whose neighbours are known, in no order."""
    if min(ground_m.shape) < 2:
        return np.empty(0)
    down, across = np.gradient(ground_m.astype(float), cell_m)
    steepness = np.hypot(down, across)
    return np.asarray(np.degrees(np.arctan(steepness[np.isfinite(steepness)])))


def impossible_heights(pixels_m: NDArray[np.float64], shown: str) -> InputError | None:
    """Return the fault of a raster most of whose heights, of several, are on no land of this Earth."""
    known = pixels_m[np.isfinite(pixels_m)]
    beyond = known[(known < LOWEST_M) | (known > HIGHEST_M)]
    if beyond.size < _FEWEST_CELLS or beyond.size < _MOSTLY * known.size or not np.ptp(beyond):
        return None  # one single value is a mark for "not known" that the file does not declare
    return InputError(
        f"heights from {beyond.min():.6g} to {beyond.max():.6g} m are on no land of this Earth",
        where=shown,
        fix="Write its unit below the file in property.toml (unit = 'ft'), or export it again in metres.",
    )


def odd_heights(
    ground_m: NDArray[np.float64], cell_m: float, shown: str, *, unit: str, unit_stated: bool, is_surface: bool
) -> list[str]:
    """Return what about the heights of one raster cannot be land in metres.

    Parameters
    ----------
    ground_m : array
        Pixels of the raster in metres, NaN where it knows none.
    cell_m : float
    shown : str
        Name of the raster.
    unit : str
        Unit that the heights in the file were taken for.
    unit_stated : bool
        Whether the file or the user says that unit.
    is_surface : bool
        Whether trees and roofs are in it: their edges are steep, which tells nothing.
    """
    inside = (ground_m >= LOWEST_M) & (ground_m <= HIGHEST_M)
    ground_m = np.where(inside, ground_m, np.nan)
    known = ground_m[inside]
    if known.size < _FEWEST_CELLS:
        return []
    other = "m" if unit != "m" else "ft"
    mend = f"look at its unit, and write it below the file in property.toml (unit = '{other}') if it is another"
    reported = []
    if not known.any():
        return [f"{shown}: EVERY HEIGHT IS 0. Is that the land, or an empty file? Every link is computed over flat ground."]
    slopes = slopes_deg(ground_m, cell_m)
    share = float((slopes > STEEP_DEG).mean()) if slopes.size else 0.0
    if _is_wrapped(ground_m):
        reported.append(
            f"{shown}: HEIGHTS JUMP BETWEEN 0 AND 255 as numbers of eight bits do that began anew. "
            "Download or export it with more bits."
        )
    elif share > WIDE_SHARE and not is_surface:
        words = "as it says" if unit_stated else "which the file does not say"
        reported.append(
            f"{shown}: {100 * share:.0f} % OF THE LAND IS STEEPER THAN {STEEP_DEG:.0f}°, which no ground is. Heights were taken as "
            f"{unit}, {words}: {mend}."
        )
    if unit != "m" and _in_steps_of(known, 0.3048**2):
        reported.append(
            f"{shown}: HEIGHTS WERE FEET TURNED INTO METRES BEFORE, and were turned once more because the unit is {unit}. "
            "If the file is in metres, write unit = 'm' below it in property.toml."
        )
    return reported


def _is_wrapped(ground_m: NDArray[np.float64]) -> bool:
    """Tell whether whole heights from 0 to 255 jump by nearly all of that from one cell to the next."""
    known = ground_m[np.isfinite(ground_m)]
    if known.min() < 0.0 or known.max() > 255.0 or known.max() < 250.0 or known.min() > 5.0:
        return False
    jumps = [np.abs(np.diff(ground_m, axis=axis)) for axis in (0, 1)]
    return sum(int((jump > 150.0).sum()) for jump in jumps) >= _FEWEST_CELLS / 5


def _in_steps_of(known: NDArray[np.float64], step_m: float) -> bool:
    """Tell whether all heights are whole multiples of a step, and not of a single one."""
    steps = known / step_m
    return bool(np.abs(steps - np.round(steps)).max() < 0.02) and bool(np.ptp(np.round(steps)) >= 3)


def odd_stated_heights(stated_m: NDArray[np.float64], ground_m: NDArray[np.float64], shown: str) -> list[str]:
    """Return what is odd about the rasters beside the heights that a recorder wrote of the places; nothing for fewer than three.

    Parameters
    ----------
    stated_m, ground_m : array, one value a place
        Height above sea level as the file of the sites says it, and as the rasters do.
    shown : str
        Names of the files of the sites.
    """
    known = np.isfinite(stated_m) & np.isfinite(ground_m)
    stated_m, ground_m = stated_m[known], ground_m[known]
    if stated_m.size < _FEWEST_PLACES:
        return []
    step_m = float(np.median(ground_m - stated_m))
    low, high = np.percentile(ground_m - stated_m, (25.0, 75.0))
    head = f"{shown}: THE HEIGHTS OF ITS {stated_m.size} PLACES"
    if abs(step_m) > 2.0 * RECORDER_ERROR_M and (stated_m > 0.0).all() and (ground_m > 0.0).all():
        ratios = ground_m / stated_m
        for factor, why in FACTORS.items():
            for times, wrong in ((ratios / factor, "the elevation rasters"), (ratios * factor, "that file")):
                if abs(float(np.median(times)) - 1.0) < _FACTOR_TOLERANCE and np.abs(times - 1.0).max() < _RATIO_STRAY:
                    compared = "LARGER" if wrong == "that file" else "SMALLER"
                    return [
                        f"{head} ARE {factor:.3g} TIMES {compared} than the elevation rasters say: {why}, in {wrong}? "
                        "Every link is computed from the rasters: if they are wrong, write their unit in property.toml "
                        "(unit = 'ft')."
                    ]
    side = "below" if step_m > 0.0 else "above"
    if abs(step_m) > LARGEST_DATUM_STEP_M:
        return [
            f"{head} LIE {abs(step_m):.0f} m {side} the elevation rasters, more than any two height datums differ: another "
            "unit, or not the same land? Compare with a known height; write the unit of the rasters in property.toml (unit = 'ft')."
        ]
    if abs(step_m) > RECORDER_ERROR_M and high - low < _ALIKE_M:
        return [
            f"{head} LIE {abs(step_m):.0f} m {side} the elevation rasters, all of them alike: another height datum (above the "
            "ellipsoid rather than the sea)? One step for the whole land changes no link, but heights of both kinds must not be "
            "mixed."
        ]
    return []


def factor_fault(first_m: Float32, second_m: Float32, first: Sequence[str], second: str) -> InputError | None:
    """Return the fault of two rasters whose heights differ by the factor of a unit where they overlap; None where they do not.

    Either their relief does - a straight line through the pairs has that slope, and they follow it - or, on land too flat to tell,
    their levels do, by more than any two height datums differ.
    """
    both = np.isfinite(first_m) & np.isfinite(second_m)
    if int(both.sum()) < _FEWEST_CELLS:
        return None
    a, b = first_m[both].astype(float), second_m[both].astype(float)
    ratios = []
    if min(a.std(), b.std()) > _LEAST_RELIEF_M and float(np.corrcoef(a, b)[0, 1]) > _LEAST_CORRELATION:
        ratios.append(float(b.std() / a.std()))
    level_a, level_b = float(np.median(a)), float(np.median(b))
    if not ratios and level_a > 0.0 and level_b > 0.0 and abs(level_a - level_b) > LARGEST_DATUM_STEP_M:
        ratios.append(level_b / level_a)
    names = ", ".join(dict.fromkeys(first))
    for ratio in ratios:
        for factor, why in FACTORS.items():
            for times, wrong in ((ratio / factor, second), (1.0 / ratio / factor, names)):
                if abs(times - 1.0) < _FACTOR_TOLERANCE:
                    other = names if wrong == second else second
                    return InputError(
                        f"its heights are {factor:.3g} times those of {other} where they overlap: {why}?",
                        where=wrong,
                        fix="Write the unit of each below its file in property.toml (unit = 'ft'), or export it again in metres.",
                    )
    return None
