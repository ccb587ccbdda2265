"""What the map needs beside the plan: the land it lies on, and the constants of the engine that runs inside the page."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from meshplan.grid import Grid


@dataclass(frozen=True, eq=False)
class CoverageLayer:
    """Where a future node would be served, as classes on the grid of the landscape.

    `classes` has shape (rows, columns), dtype uint8: an index into `class_names`, 255 where nothing is known. A class named like a
    verdict takes the colour of that verdict.
    """

    name: str
    classes: NDArray[np.uint8]
    class_names: tuple[str, ...]
    note: str = ""


@dataclass(frozen=True)
class MeasuredPoint:
    """A reading taken in the field, beside what the plan expected there."""

    name: str
    lon_deg: float
    lat_deg: float
    measured_dbm: float
    expected_dbm: float
    note: str = ""


@dataclass(frozen=True)
class PageCover:
    """How one kind of cover acts in the page's engine, in every season of the plan.

    `loss_db_per_m` and `most_loss_db` are the specific attenuation and the ceiling of the woodland formula (ITU-R P.833 §2.1), one
    value a season; a solid kind (a building) has none and is an obstacle.
    """

    solid: bool
    loss_db_per_m: tuple[float, ...] = ()
    most_loss_db: tuple[float, ...] = ()
    spread_share: tuple[float, ...] = ()


@dataclass(frozen=True)
class PageEnd:
    """What one end of a trial link brings: a device of the plan or a kind of device.

    `gain_db` is antenna gain less cable, box and wall losses; the page adds transmit power on the sending and compares with the
    sensitivity on the receiving side.
    """

    name: str
    tx_power_dbm: float
    gain_db: float
    sensitivity_dbm: float
    antenna_agl_m: float


@dataclass(frozen=True)
class PageEngine:
    """Every constant of the engine in the page, so that it holds none of its own.

    `covers` follows `Plan.cover_kinds`. `ends` holds one entry for each device of the plan, then one for each kind of device.
    """

    frequency_mhz: float
    effective_earth_radius_km: float
    relative_permittivity: float
    conductivity_s_per_m: float
    vertical: bool
    covers: tuple[PageCover, ...]
    ends: tuple[PageEnd, ...]
    fade_margin_db: float
    spread_clear_db: float
    spread_obstructed_db: float
    season_extra_db: tuple[float, ...] = ()


@dataclass(frozen=True, eq=False)
class MapLandscape:
    """The land under the plan, on one grid.

    All rasters have shape (rows, columns). `ground_amsl_m` is float32 with NaN where nothing is known, `cover_index` (uint8) an
    index into `Plan.cover_kinds` with 0 for open ground, `cover_height_m` (float32) the height of what stands there. Where crops grow
    with the year, `cover_heights_by_season` gives one raster for each season name.
    """

    grid: Grid
    ground_amsl_m: NDArray[np.float32]
    cover_index: NDArray[np.uint8]
    cover_height_m: NDArray[np.float32]
    cover_heights_by_season: dict[str, NDArray[np.float32]] = field(default_factory=dict)
    coverage: tuple[CoverageLayer, ...] = ()
    measured: tuple[MeasuredPoint, ...] = ()
    engine: PageEngine | None = None
