"""What the map needs beside the plan: the land it lies on, and the constants of the engine that runs inside the page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshplan.explain.obstacles import CLEAR_SHARE, RIDGE_RISE_M
from meshplan.grid import Grid
from meshplan.records.station import Station
from meshplan.units import Indices


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
    """How one wood, hedge, crop or building acts in the page's engine; tuples hold one value for each season of the plan."""

    kind: int
    """Index into `Plan.cover_kinds`."""
    words: str
    solid: bool
    heights_m: tuple[float, ...]
    tallest_m: float
    wall_db: float
    """Loss of one wall of a building."""
    wall_spread_db: float
    group: int
    """Cover of one group is counted together: same kind, rows the same way."""
    form: str
    """"woodland", "row", "slab", or empty for what costs nothing to pass."""
    db_per_m: float
    along_db_per_m: float
    most_db: float
    row_azimuth_deg: float | None
    season_share: tuple[float, ...]
    """Share of the full loss in leaf that each season has."""
    spread_share: float
    least_spread_db: float


@dataclass(frozen=True)
class PageEndClutter:
    """What stands around an end and is in no layer, as `loss.end_clutter` has it."""

    assumed: bool
    """Whether it is the class of unmapped land, which goes with the place; otherwise somebody named it for the site."""
    named: bool
    """One height that somebody named."""
    tops_m: tuple[float, float, float]
    share: float
    model_spread_db: float
    leafless_share: float
    street_width_m: float


@dataclass(frozen=True)
class PageUnmapped:
    """Unmapped land: its class, and the boxes that are mapped as metres east and south of the corner of the grid.

    Each box is (west, north, east, south); without boxes nothing is mapped.
    """

    around: PageEndClutter
    boxes_m: tuple[tuple[float, float, float, float], ...]
    fully_unmapped_m: float


@dataclass(frozen=True)
class PageClutter:
    """Figures of the loss of ends below the tops around them (`propagation.clutter`)."""

    most_mhz: float
    most_end_loss_db: float
    least_antenna_m: float
    chance_length_m: float
    named_spread_db: float


@dataclass(frozen=True)
class PageEnd:
    """One device as an end of a trial link. `local_loss_db` is cable, box and other losses, `entry_loss_db` the wall around it."""

    name: str
    site: str
    """Name of its row in the property folder."""
    is_sensor: bool
    relaxed: bool
    """Whether a lost try may be repeated (slow readings)."""
    tx_power_dbm: float
    sensitivity_dbm: float
    gain_dbi: float
    pattern: str
    horizontal_beamwidth_deg: float | None
    azimuth_deg: float | None
    """Where it points, clockwise from the north of the grid that profiles are walked on."""
    tilt_deg: float
    local_loss_db: float
    entry_loss_db: float
    entry_spread_db: float
    around: PageEndClutter | None
    """What stands around it and is in no layer."""
    polarisation_deg: float
    """Angle of the antenna from upright."""
    antenna_spread_db: float
    inside: int
    """Cover number of the building around it, 0 in the open."""
    antenna_agl_m: float
    can_speak: bool
    can_hear: bool
    is_indoors: bool = False
    """Whether its row names the wall around it, which then goes with it."""
    walls_noise_db: float = 0.0
    """How much noisier a place behind walls is taken to be, where no noise is named."""
    is_found: bool = False
    """Whether the planner found the place itself: no file of the user has a row of it."""
    power: str = ""
    """What feeds it."""


@dataclass(frozen=True)
class NewPlace:
    """A place that the property does not have: a station as the reader's defaults equip it, and its price.

    `cost` holds for an antenna no higher than `free_mast_m`, each metre above costs `mast_per_m`.
    """

    station: Station
    usual_agl_m: float
    cost: float
    mast_per_m: float
    free_mast_m: float


@dataclass(frozen=True)
class PageNewPlace:
    """A new place as an end of trial links; where it stands and how high is the reader's choice on the page."""

    role: str
    purpose: str
    power: str
    end: PageEnd
    cost: float
    mast_per_m: float
    free_mast_m: float


@dataclass(frozen=True, eq=False)
class PageErrors:
    """One field of height errors in the page, as `loss.error_fields` has it, with phases at the first cell of the grid."""

    hides: bool
    """Whether its raster is so coarse that relief which it hides counts in the mean."""
    vector_per_m: NDArray[np.float64]
    """Shape (n_pairs, n_waves, 2)."""
    phase: NDArray[np.float64]
    spread_m: NDArray[np.float32]
    """Standard deviation at every `every`-th cell."""
    every: int


@dataclass(frozen=True, eq=False)
class PageEngine:
    """Every constant of the engine in the page, so that it holds none of its own.

    `cover_number` has shape (rows, columns), or whole parts of it where cells are coarse: 0 is open ground, i is `covers[i - 1]`.
    `canopy_m` is the height of what a surface raster saw there, NaN elsewhere.
    """

    radio: str
    """Key of the radio class; its ends are those that carry it."""
    frequency_mhz: float
    effective_earth_radius_km: float
    relative_permittivity: float
    conductivity_s_per_m: float
    vertical: bool
    cover_number: Indices
    canopy_m: NDArray[np.float32] | None
    covers: tuple[PageCover, ...]
    ends: tuple[PageEnd, ...]
    season_antenna_loss_db: tuple[float, ...]
    season_leaf_share: tuple[float, ...]
    clutter: PageClutter
    unmapped: PageUnmapped | None
    """None where everything is mapped."""
    near_an_antenna_m: float
    furthest_aside_m: float
    """How far beside a path the end of a hedge is looked for."""
    clear_below_m: float
    shadowed_from_db: float
    given_back: float
    fully_blocked_nu: float
    """The rule for low antennas behind a hill."""
    over_crowns_spread_db: float
    most_plant_spread_db: float
    clear_spread_db: float
    obstructed_spread_db: float
    obstructed_from_db: float
    soil_spread_db: float
    elevation_spread_db: float
    """Of a usual link of this plan, for pages without `errors`."""
    relaxed_fade_db: float
    strict_fade_db: float
    sure_no_chance: float
    cover_share: NDArray[np.float32] | None = None
    """How much of its cell a thin cover takes."""
    sampled_as_m: float | None = None
    """Cell of the elevation raster, which sets how densely paths are sampled; by default that of the grid."""
    clear_share: float = CLEAR_SHARE
    ridge_rise_m: float = RIDGE_RISE_M
    errors: tuple[PageErrors, ...] = ()
    """Height errors that the page draws the ground with."""
    new_places: tuple[PageNewPlace, ...] = ()
    """What a reader may add on the page, the usual supply of a role first."""


@dataclass(frozen=True)
class OnlineTiles:
    """A background map from the network, off until the reader switches it on. `url` holds {z}, {x} and {y}."""

    url: str
    attribution: str
    max_zoom: int = 19


@dataclass(frozen=True, eq=False)
class MapLandscape:
    """The land under the plan, on one grid.

    `ground_amsl_m` has shape (rows, columns), float32, NaN where nothing is known. Without `engine` the page shows the plan and
    offers no trials.
    """

    grid: Grid
    ground_amsl_m: NDArray[np.float32]
    coverage: tuple[CoverageLayer, ...] = ()
    measured: tuple[MeasuredPoint, ...] = ()
    engine: PageEngine | None = None
    more_engines: tuple[PageEngine, ...] = ()
    """For each further radio class of the plan."""
    changes: tuple[Mapping[str, str], ...] = ()
    """Rows of the changes file that the plan was made with; the page keeps them when it saves the file again."""
