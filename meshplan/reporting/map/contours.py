"""Lines of equal height, for drawing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import contourpy
import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import Transformer
from scipy import ndimage

from meshplan.grid import Grid
from meshplan.reporting.map.pack import pack_series
from meshplan.reporting.map.relief import fill_unknown

STEPS_M: Final = (0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
MOST_LEVELS: Final = 25
HEAVY_EVERY: Final = 5
MOST_POINTS: Final = 40_000
DEGREE_STEPS: Final = 1e7
"""Positions are packed in ten-millionths of a degree, about a centimetre."""


@dataclass(frozen=True)
class ContourLines:
    """Contours of one property, in degrees: `lines` holds (height, heavy, points of shape (n, 2) as longitude and latitude)."""

    step_m: float
    lines: tuple[tuple[float, bool, NDArray[np.float64]], ...]

    def as_record(self) -> dict[str, object]:
        """Return what the page's decoder reads: every line as two packed series, and its height."""
        series: list[list[int]] = []
        for _, _, points in self.lines:
            whole = np.rint(points * DEGREE_STEPS).astype(np.int64)
            series += [whole[:, 0].tolist(), whole[:, 1].tolist()]
        return {
            "step_m": self.step_m,
            "degree_steps": DEGREE_STEPS,
            "heights_m": [height for height, _, _ in self.lines],
            "heavy": [int(heavy) for _, heavy, _ in self.lines],
            "data": pack_series(series),
        }


def choose_step_m(low_m: float, high_m: float) -> float:
    """Return the finest step that gives no more than `MOST_LEVELS` lines."""
    return next((step for step in STEPS_M if (high_m - low_m) / step <= MOST_LEVELS), STEPS_M[-1])


def contour_lines(ground_amsl_m: NDArray[np.float32], grid: Grid) -> ContourLines:
    """Return contours of slightly smoothed ground; none beside unknown cells."""
    known = np.isfinite(ground_amsl_m)
    if not known.any() or min(ground_amsl_m.shape) < 3:
        return ContourLines(STEPS_M[0], ())
    low_m, high_m = float(np.nanmin(ground_amsl_m)), float(np.nanmax(ground_amsl_m))
    step_m = choose_step_m(low_m, high_m)
    smooth = ndimage.gaussian_filter(fill_unknown(ground_amsl_m), 1.5)
    columns, rows = np.arange(grid.columns), np.arange(grid.rows)
    x_m, _ = grid.x_y(columns, np.zeros(grid.columns))
    _, y_m = grid.x_y(np.zeros(grid.rows), rows)
    maker = contourpy.contour_generator(x=x_m, y=y_m, z=np.ma.masked_array(smooth, mask=~known))
    to_degrees = Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True)
    tolerance_m = 0.3 * grid.cell_m
    levels = np.arange(np.ceil(low_m / step_m), np.floor(high_m / step_m) + 1)
    found = [(float(number), shapely.LineString(line)) for number in levels for line in maker.lines(float(number * step_m))]
    long = shapely.length([line for _, line in found]) >= 6 * grid.cell_m
    numbers, lines = [number for (number, _), keep in zip(found, long, strict=True) if keep], [line for _, line in found]
    drawn = np.array(lines, dtype=object)[long]
    while True:
        points, of_line = shapely.get_coordinates(shapely.simplify(drawn, tolerance_m), return_index=True)
        if len(points) <= MOST_POINTS or tolerance_m > 20 * grid.cell_m:
            break
        tolerance_m *= 2
    degrees = np.column_stack(to_degrees.transform(points[:, 0], points[:, 1]))
    parts = np.split(degrees, np.flatnonzero(np.diff(of_line)) + 1) if len(drawn) else []
    return ContourLines(
        step_m,
        tuple(
            (round(number * step_m, 2), int(number) % HEAVY_EVERY == 0, part) for number, part in zip(numbers, parts, strict=True)
        ),
    )
