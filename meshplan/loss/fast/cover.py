"""What stands on the ground, as the kernels want it: an index for each cell, and tables of heights and losses behind the index."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from meshplan.errors import InputError
from meshplan.units import Indices

NEAR_AN_ANTENNA_M: Final = 50.0
"""Cover this near an antenna is passed through, not over, on the mixed way (the terminal rule of ITU-R P.452-18)."""


SPREAD_DEPTHS: Final = 64
DEPTHS_AN_OCTAVE: Final = 5
"""A spread that no short formula tells is given at so many depths, that many for each doubling of 1 m + depth."""


def spread_depths_m() -> NDArray[np.float64]:
    """Return the depths at which `FoliageSpread.by_depth_db` is given."""
    return np.asarray(np.exp2(np.arange(SPREAD_DEPTHS) / DEPTHS_AN_OCTAVE) - 1.0)


@dataclass(frozen=True)
class FoliageSpread:
    """Standard deviation of the loss of a depth d in full leaf: least·min(d, 1 m) + share·loss + table(d), at most `most_db`."""

    least_db: float = 0.0
    share: float = 0.0
    most_db: float = 0.0
    by_depth_db: tuple[float, ...] = (0.0,) * SPREAD_DEPTHS


@dataclass(frozen=True)
class FoliageGroup:
    """Cover whose metres are counted together, in one season.

    The loss of a depth d is scale·most·(1 − exp(−d·rate/most)) if it saturates (ITU-R P.833-10 §2.1), else scale·min(d·rate, most).
    With rows, the rate is along + (across − along)·|sin| of the angle between ray and rows.
    """

    across_db_per_m: float
    most_db: float
    saturates: bool
    scale: float = 1.0
    along_db_per_m: float | None = None
    row_azimuth_deg: float | None = None
    spread: FoliageSpread | None = None

    def rate_db_per_m(self, bearing_deg: float) -> float:
        """Return dB/m for a ray of this bearing."""
        if self.along_db_per_m is None or self.row_azimuth_deg is None:
            return self.across_db_per_m
        crossing = abs(math.sin(math.radians(bearing_deg - self.row_azimuth_deg)))
        return self.along_db_per_m + (self.across_db_per_m - self.along_db_per_m) * crossing

    def loss_db(self, depth_m: float, bearing_deg: float = 0.0) -> float:
        """Return the loss of some metres."""
        through = depth_m * self.rate_db_per_m(bearing_deg)
        if self.saturates:
            return -self.scale * self.most_db * math.expm1(-through / self.most_db)
        return self.scale * min(through, self.most_db)


@dataclass(frozen=True, eq=False)
class StandingCover:
    """Woods, crops and buildings of one season.

    Parameters
    ----------
    index : ndarray of uint16 (uint32 where there are more than 65 535), shape (rows, columns)
        0 is open ground, other numbers point into the tables.
    crown_m, roof_m : sequence of float, shape (n_covers + 1,)
        Height above ground of plants and of buildings; at most one of the two above zero. Entry 0 is open ground.
    group : sequence of int, shape (n_covers + 1,)
        Position in `groups` of plants, −1 for all else.
    groups : sequence of FoliageGroup
    walls_db : sequence of float, shape (n_covers + 1,)
        Loss of the two walls of a building.
    canopy_m : ndarray of float32, shape (rows, columns), optional
        Height above ground as a surface raster shows it; where it is known, a covered cell is that high times its share below.
    cell_share : ndarray of float32, shape (rows, columns), optional
        How much of its cell a thin cover takes; metres through plants count by that.
    crown_share, roof_share : sequence of float, shape (n_covers + 1,), optional
        Share of `canopy_m` that stands in this season; by default all of it for whichever of the two heights is above zero.
    """

    index: Indices
    crown_m: Sequence[float]
    roof_m: Sequence[float]
    group: Sequence[int]
    groups: tuple[FoliageGroup, ...]
    walls_db: Sequence[float]
    canopy_m: NDArray[np.float32] | None = None
    crown_share: Sequence[float] | None = None
    roof_share: Sequence[float] | None = None
    near_an_antenna_m: float = field(default=NEAR_AN_ANTENNA_M)
    cell_share: NDArray[np.float32] | None = None

    @cached_property
    def beside(self) -> NDArray[np.uint8]:
        """1 where a cell, the one right of it, the one below it or the one below that has cover; shape (rows, columns)."""
        held = np.pad(self.index > 0, ((0, 1), (0, 1)), mode="edge")
        return np.ascontiguousarray(held[:-1, :-1] | held[:-1, 1:] | held[1:, :-1] | held[1:, 1:]).astype(np.uint8)


class CoverTerms(NamedTuple):
    """`StandingCover` as plain arrays; `present` 0 stands for open ground everywhere."""

    present: int
    inside: int
    near_m: float
    codes: Indices
    has_canopy: int
    canopy: NDArray[np.float32]
    has_share: int
    cell_share: NDArray[np.float32]
    crown_m: NDArray[np.float64]
    roof_m: NDArray[np.float64]
    crown_share: NDArray[np.float64]
    roof_share: NDArray[np.float64]
    group: NDArray[np.int64]
    walls_db: NDArray[np.float64]
    across_db_per_m: NDArray[np.float64]
    along_db_per_m: NDArray[np.float64]
    azimuth_rad: NDArray[np.float64]
    most_db: NDArray[np.float64]
    scale: NDArray[np.float64]
    saturates: NDArray[np.float64]
    spread_terms: NDArray[np.float64]
    """Least, share and most of each group; shape (n_groups, 3)."""
    spread_by_depth_db: NDArray[np.float64]


_LAYOUT: Final = ("C", "A", "W")
"""Of all arrays: code compiled for one layout would be compiled again for another."""

OPEN_GROUND: Final = StandingCover(np.zeros((1, 1), dtype=np.uint16), (0.0,), (0.0,), (-1,), (), (0.0,))
"""Nothing stands anywhere."""


def cover_terms(cover: StandingCover | None, shape: tuple[int, int], inside: int = 0) -> CoverTerms:
    """Return the arrays behind a cover after checking that they fit a ground of this shape.

    Parameters
    ----------
    cover : StandingCover or None
    shape : (rows, columns)
    inside : int
        Index of the building around the transmitter, which is then no obstacle; 0 if it stands in the open.
    """
    held = cover or OPEN_GROUND
    length = len(held.crown_m)
    faults = [
        name
        for name in ("roof_m", "group", "walls_db", "crown_share", "roof_share")
        if getattr(held, name) is not None and len(getattr(held, name)) != length
    ]
    if cover is not None and cover.index.shape != shape:
        faults.append("index")
    if held.canopy_m is not None and held.canopy_m.shape != shape:
        faults.append("canopy_m")
    if held.cell_share is not None and held.cell_share.shape != shape:
        faults.append("cell_share")
    if held.index.size and int(held.index.max()) >= length:
        faults.append("crown_m")
    if faults:
        raise InputError(
            f"The cover does not fit the ground or itself: {', '.join(faults)}",
            where="cover",
            fix="Give rasters of the shape of the ground, and tables with one entry for each index, open ground first.",
        )
    crown, roof = _floats(held.crown_m), _floats(held.roof_m)
    spreads = [each.spread or FoliageSpread() for each in held.groups]
    return CoverTerms(
        present=0 if cover is None else 1,
        inside=inside if inside > 0 else -1,
        near_m=float(held.near_an_antenna_m),
        codes=np.require(held.index, dtype=_number_type(held.index), requirements=_LAYOUT),
        has_canopy=0 if held.canopy_m is None else 1,
        canopy=np.require(np.zeros((1, 1)) if held.canopy_m is None else held.canopy_m, np.float32, _LAYOUT),
        has_share=0 if held.cell_share is None else 1,
        cell_share=np.require(np.ones((1, 1)) if held.cell_share is None else held.cell_share, np.float32, _LAYOUT),
        crown_m=crown,
        roof_m=roof,
        crown_share=(crown > 0.0).astype(float) if held.crown_share is None else _floats(held.crown_share),
        roof_share=(roof > 0.0).astype(float) if held.roof_share is None else _floats(held.roof_share),
        group=np.require(held.group, np.int64, _LAYOUT),
        walls_db=_floats(held.walls_db),
        across_db_per_m=_floats([each.across_db_per_m for each in held.groups]),
        along_db_per_m=_floats([each.along_db_per_m or 0.0 for each in held.groups]),
        azimuth_rad=_floats([_azimuth_rad(each) for each in held.groups]),
        most_db=_floats([each.most_db for each in held.groups]),
        scale=_floats([each.scale for each in held.groups]),
        saturates=_floats([1.0 if each.saturates else 0.0 for each in held.groups]),
        spread_terms=_floats([(one.least_db, one.share, one.most_db) for one in spreads]).reshape(-1, 3),
        spread_by_depth_db=_floats([one.by_depth_db for one in spreads]).reshape(-1, SPREAD_DEPTHS),
    )


def _number_type(index: NDArray[Any]) -> type[np.unsignedinteger[Any]]:
    """Return two bytes a cell, four where a property has more pieces of cover than that holds; code is compiled for each apart."""
    return np.uint32 if index.dtype.itemsize > 2 and index.size and int(index.max()) > np.iinfo(np.uint16).max else np.uint16


def _azimuth_rad(group: FoliageGroup) -> float:
    has_rows = group.along_db_per_m is not None and group.row_azimuth_deg is not None
    return math.radians(group.row_azimuth_deg or 0.0) if has_rows else math.nan


def _floats(values: Any) -> NDArray[np.float64]:
    return np.require(values, np.float64, _LAYOUT)
