"""Where a picture lies: a matrix fitted by least squares to points clicked on picture and land, refused where it is nonsense.

Three or four pins give an affine matrix (six numbers), five and more a projective one (eight, as a photo taken aslant needs). Three
pins leave no residual, whatever they say: only the sign of the determinant (a mirrored picture) and the condition of the equations
(pins in a line) speak then, so the words say that nothing was checked.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field
from scipy.optimize import least_squares

from meshplan.errors import InputError
from meshplan.inputs.vector import WGS84, point_mover

FEWEST_PINS: Final = 3
PROJECTIVE_FROM: Final = 5
MOST_PINS: Final = 100
MOST_CONDITION: Final = 30.0
"""Of the equations of an affine matrix in normed coordinates: 1.6 to 4 where pins are spread, above where they are nearly in a line
(measured on drawn sets of pins)."""
MOST_UNEVEN: Final = 1.2
"""Largest ratio of the scales along the two axes of an affine matrix (own choice): photos and sketches have one scale."""
MOST_RESIDUAL_SHARE: Final = 0.05
"""Largest residual as a share of the picture's width on the ground (own choice)."""
SHORTEST_M, LONGEST_M = 5.0, 50_000.0
"""Widths on the ground that a picture of a property may have (own choice)."""


class Pin(BaseModel):
    """One point of a picture and the same on the land; pixels are counted from the picture's upper left corner."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    x_px: float = Field(ge=-1e6, le=1e6)
    y_px: float = Field(ge=-1e6, le=1e6)
    lat_deg: float = Field(ge=-85, le=85)
    lon_deg: float = Field(ge=-180, le=180)


@dataclass(frozen=True, eq=False)
class Placing:
    """A matrix from pixels to a projection: (x, y, 1) of a pixel gives metres or degrees times the last number."""

    matrix: NDArray[np.float64]
    crs: str

    def to_plane(self, x_px: NDArray[np.float64], y_px: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return where pixels lie in the projection."""
        return _applied(self.matrix, x_px, y_px)

    def to_pixels(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the pixels of places in the projection."""
        return _applied(np.asarray(np.linalg.inv(self.matrix), dtype=np.float64), x, y)

    def corners_deg(self, wide_px: float, high_px: float) -> list[tuple[float, float]]:
        """Return longitude and latitude of the four corners: upper left, upper right, lower right, lower left."""
        x, y = self.to_plane(np.array([0.0, wide_px, wide_px, 0.0]), np.array([0.0, 0.0, high_px, high_px]))
        lon, lat = point_mover(self.crs, WGS84)(x, y)
        return [(float(a), float(b)) for a, b in zip(lon, lat, strict=True)]


@dataclass(frozen=True, eq=False)
class Fit:
    """A placing with what it leaves at each pin."""

    placing: Placing
    kind: str
    residual_m: tuple[float, ...]
    worst: int
    """The pin that fits worst, counted from 0: the one without which the others fit best."""
    metres_per_px: float
    words: str


def fit_pins(pins: Sequence[Pin], wide_px: int, high_px: int, shown: str) -> Fit:
    """Return the placing of a picture that is pinned.

    Raises
    ------
    InputError
        Fewer than three pins, pins in a line or on one spot, a mirrored picture, scales or residuals that no picture has.
    """
    where = f"{shown}, pins"
    if len(pins) < FEWEST_PINS:
        raise InputError(f"{len(pins)} pins do not place a picture", where=where, fix=f"Set {FEWEST_PINS} or more.")
    if len(pins) > MOST_PINS:
        raise InputError(f"{len(pins)} pins are too many", where=where, fix=f"Keep {MOST_PINS} at most.")
    pixels = np.array([(pin.x_px, pin.y_px) for pin in pins])
    degrees = np.array([(pin.lon_deg, pin.lat_deg) for pin in pins])
    centre = degrees.mean(axis=0)
    crs = f"+proj=aeqd +lat_0={centre[1]:.9f} +lon_0={centre[0]:.9f} +datum=WGS84 +units=m +no_defs"
    metres = np.column_stack(point_mover(WGS84, crs)(degrees[:, 0], degrees[:, 1]))
    for words, points in (("on the picture", pixels), ("on the land", metres)):
        if _condition(points) > MOST_CONDITION:
            raise InputError(f"the pins lie in a line, or on one spot, {words}", where=where, fix="Set one well beside the line.")
    affine = _affine(pixels, metres)
    if np.linalg.det(affine[:2, :2]) > 0.0:  # pixels run down, metres up: a picture that is seen from above has a negative one
        fix = "Look whether two pins are swapped, or turn the picture over."
        raise InputError("the picture would be mirrored", where=where, fix=fix)
    projective = len(pins) >= PROJECTIVE_FROM
    matrix = _projective(pixels, metres, affine) if projective else affine
    residual_m = _residuals(matrix, pixels, metres)
    scales = np.linalg.svd(affine[:2, :2], compute_uv=False)
    wide_m = float(wide_px * math.sqrt(scales[0] * scales[1]))
    worst = _worst(pixels, metres, projective)
    if not SHORTEST_M <= wide_m <= LONGEST_M:
        raise InputError(
            f"the picture would be {wide_m:.3g} m wide", where=where, fix="Look at the places of the pins on the land."
        )
    uneven = float(scales[0] / max(scales[1], 1e-12))
    if not projective and uneven > MOST_UNEVEN:
        at = f" Pin {worst + 1} fits worst." if len(pins) > FEWEST_PINS else ""
        raise InputError(
            f"a metre would be {uneven:.1f} times as long in one direction as in the other",
            where=where,
            fix=f"Look at the pins.{at}",
        )
    if residual_m.max() > MOST_RESIDUAL_SHARE * wide_m:
        raise InputError(
            f"the pins do not fit each other: {residual_m.max():.1f} m are left at one, on a picture {wide_m:.0f} m wide",
            where=where,
            fix=f"Pin {worst + 1} fits worst: set it anew, or take it out.",
        )
    corner_x, corner_y = np.array([0.0, wide_px, wide_px, 0.0]), np.array([0.0, 0.0, high_px, high_px])
    if np.ptp(np.sign(matrix[2, 0] * corner_x + matrix[2, 1] * corner_y + matrix[2, 2])) > 0:
        raise InputError("part of the picture would lie beyond the horizon", where=where, fix="Set pins nearer to its corners.")
    words = (
        "Three pins cannot check each other: set a fourth."
        if len(pins) == FEWEST_PINS
        else f"The pins fit within {residual_m.max():.1f} m; pin {worst + 1} fits worst."
    )
    return Fit(
        Placing(matrix, crs),
        "projective" if projective else "affine",
        tuple(round(float(value), 3) for value in residual_m),
        worst,
        float(math.sqrt(scales[0] * scales[1])),
        words,
    )


def _applied(
    matrix: NDArray[np.float64], x: NDArray[np.float64], y: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    below = matrix[2, 0] * x + matrix[2, 1] * y + matrix[2, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        return (
            np.asarray((matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2]) / below),
            np.asarray((matrix[1, 0] * x + matrix[1, 1] * y + matrix[1, 2]) / below),
        )


def _norm(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the matrix that brings points around the origin, a mean distance of √2 away (usual before such fits)."""
    middle = points.mean(axis=0)
    apart = float(np.hypot(*(points - middle).T).mean())
    scale = math.sqrt(2.0) / apart if apart > 0 else 1.0
    return np.array([[scale, 0.0, -scale * middle[0]], [0.0, scale, -scale * middle[1]], [0.0, 0.0, 1.0]])


def _condition(points: NDArray[np.float64]) -> float:
    """Return the condition number of the equations of an affine matrix."""
    x, y = _applied(_norm(points), points[:, 0], points[:, 1])
    return float(np.linalg.cond(np.column_stack([x, y, np.ones_like(x)])))


def _affine(pixels: NDArray[np.float64], metres: NDArray[np.float64]) -> NDArray[np.float64]:
    norm = _norm(pixels)
    x, y = _applied(norm, pixels[:, 0], pixels[:, 1])
    solved, *_ = np.linalg.lstsq(np.column_stack([x, y, np.ones_like(x)]), metres, rcond=None)
    matrix = np.eye(3)
    matrix[:2] = solved.T
    return np.asarray(matrix @ norm)


def _projective(pixels: NDArray[np.float64], metres: NDArray[np.float64], start: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the projective matrix with the least residuals in metres, sought from the affine one in normed coordinates."""
    before, after = _norm(pixels), _norm(metres)
    x, y = _applied(before, pixels[:, 0], pixels[:, 1])
    wanted = np.column_stack(_applied(after, metres[:, 0], metres[:, 1]))
    first = after @ start @ np.linalg.inv(before)

    def residual(values: NDArray[np.float64]) -> NDArray[np.float64]:
        found = np.column_stack(_applied(np.append(values, 1.0).reshape(3, 3), x, y))
        return np.asarray(np.nan_to_num(found - wanted, nan=1e6, posinf=1e6, neginf=-1e6).ravel())

    solved = least_squares(residual, (first / first[2, 2]).ravel()[:8], method="trf", x_scale=1.0, xtol=1e-12, ftol=1e-12)
    matrix = np.linalg.inv(after) @ np.append(solved.x, 1.0).reshape(3, 3) @ before
    return np.asarray(matrix / matrix[2, 2])


def _residuals(matrix: NDArray[np.float64], pixels: NDArray[np.float64], metres: NDArray[np.float64]) -> NDArray[np.float64]:
    x, y = _applied(matrix, pixels[:, 0], pixels[:, 1])
    return np.asarray(np.hypot(x - metres[:, 0], y - metres[:, 1]))


def _worst(pixels: NDArray[np.float64], metres: NDArray[np.float64], projective: bool) -> int:
    """Return the pin without which the others fit each other best; of the fewest pins, the first."""
    fewest = PROJECTIVE_FROM if projective else FEWEST_PINS
    if len(pixels) <= FEWEST_PINS:
        return 0
    left = []
    for out in range(len(pixels)):
        keep = np.arange(len(pixels)) != out
        matrix = _affine(pixels[keep], metres[keep])
        if projective and len(pixels) - 1 >= fewest:
            matrix = _projective(pixels[keep], metres[keep], matrix)
        left.append(float(np.sum(_residuals(matrix, pixels[keep], metres[keep]) ** 2)))
    if max(left) < 1e-6:  # four pins: each three fit without a residual; the one that is farthest from what they say
        return int(np.argmax(_residuals(_affine(pixels, metres), pixels, metres)))
    return int(np.argmin(left))
