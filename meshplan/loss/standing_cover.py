"""Settings of a calculation and what stands on the landscape, in the form the kernels want."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from meshplan.kinds import FIELD_CROPS, PLANT_KINDS
from meshplan.loss.fast import FoliageGroup, RadioPath, StandingCover
from meshplan.loss.fast.cover import FoliageSpread, spread_depths_m
from meshplan.loss.path_loss import PathSettings
from meshplan.loss.walls import DEFAULT_WALL, enclosure_loss_db
from meshplan.propagation.seasons import Season
from meshplan.propagation.tables import figure_at_frequency
from meshplan.propagation.vegetation import (
    MOST_SPREAD_DB,
    vegetation_spread_db,
    woodland_db_per_m,
    woodland_most_db,
)
from meshplan.terrain.landscape import Landscape
from meshplan.units import EARTH_RADIUS_KM

NO_WAY_THROUGH_DB = 1e6
"""For walls of paths that go over the roof."""


def radio_path(settings: PathSettings) -> RadioPath:
    """Return radio, air and soil of a calculation."""
    return RadioPath(
        frequency_mhz=settings.frequency_mhz,
        k_factor=settings.earth_radius_km / EARTH_RADIUS_KM,
        polarisation=settings.polarisation,
        relative_permittivity=float(settings.ground.permittivity),
        conductivity_s_per_m=float(settings.ground.conductivity_s_per_m),
    )


def roofs_alone(landscape: Landscape) -> StandingCover | None:
    """Return the buildings, with no way through them; None on open land."""
    if landscape.ground_is_surface or not landscape.covers:
        return None
    roofs = [cover.height_m if cover.is_building else 0.0 for cover in landscape.covers]
    count = len(roofs) + 1
    walls_db = [0.0, *(NO_WAY_THROUGH_DB if height_m else 0.0 for height_m in roofs)]
    return StandingCover(landscape.cover_index, (0.0,) * count, (0.0, *roofs), (-1,) * count, (), walls_db)


def standing_cover(landscape: Landscape, season: Season, settings: PathSettings) -> StandingCover | None:
    """Return woods, crops and buildings of a season with their losses at the frequency of the settings; None on open land."""
    if not landscape.covers or landscape.ground_is_surface:
        return None
    heights = landscape.cover_heights_m(season.month)
    tallest = landscape.tallest_covers_m
    share = np.divide(heights, tallest, out=np.zeros_like(heights), where=tallest > 0.0)
    solid = np.array([False, *(cover.is_building for cover in landscape.covers)])
    groups: dict[tuple[str, float | None], FoliageGroup] = {}
    places: list[int] = [-1]
    walls_db = [0.0]
    for cover in landscape.covers:
        key = (cover.kind, cover.row_azimuth_deg)
        if cover.kind in PLANT_KINDS:
            groups.setdefault(key, _group(cover.kind, cover.row_azimuth_deg, season, settings.frequency_mhz))
        places.append(list(groups).index(key) if key in groups else -1)
        walls_db.append(2.0 * enclosure_loss_db(cover.wall or DEFAULT_WALL, settings.frequency_mhz) if cover.is_building else 0.0)
    plant = np.array(places) >= 0
    return StandingCover(
        index=landscape.cover_index,
        crown_m=tuple(np.where(plant, heights, 0.0)),
        roof_m=tuple(np.where(solid, heights, 0.0)),
        group=tuple(places),
        groups=tuple(groups.values()),
        walls_db=tuple(walls_db),
        canopy_m=landscape.canopy_m,
        cell_share=landscape.cover_share,
        crown_share=tuple(np.where(plant, share, 0.0)),
        roof_share=tuple(np.where(solid, share, 0.0)),
    )


def fullest_cover(covers: Sequence[StandingCover | None]) -> StandingCover | None:
    """Return the cover of several seasons of a landscape with each plant as tall and as lossy as it is in any of them."""
    some = [cover for cover in covers if cover is not None]
    if not some:
        return None
    groups = tuple(max(of_all, key=lambda group: group.scale) for of_all in zip(*(cover.groups for cover in some), strict=True))
    crowns = np.max([cover.crown_m for cover in some], axis=0)
    shares = np.max([cover.crown_share or cover.crown_m for cover in some], axis=0)
    first = some[0]
    if groups == first.groups and (crowns == first.crown_m).all() and (shares == first.crown_share).all():
        return first
    return replace(first, groups=groups, crown_m=tuple(crowns), crown_share=tuple(shares))


def _group(name: str, row_azimuth_deg: float | None, season: Season, frequency_mhz: float) -> FoliageGroup:
    kind = PLANT_KINDS[name]
    leaf = 1.0 if name in FIELD_CROPS else season.leaf_share
    scale = kind.bare_factor + (1.0 - kind.bare_factor) * leaf
    if season.wet:
        scale *= 1.0 + kind.wet_add * leaf
    deep = spread_depths_m()
    if kind.form == "slab":
        spread = FoliageSpread(kind.least_spread_db, kind.spread_share, MOST_SPREAD_DB)
    else:
        by_depth = np.minimum(vegetation_spread_db(deep, frequency_mhz), MOST_SPREAD_DB)
        spread = FoliageSpread(most_db=MOST_SPREAD_DB, by_depth_db=tuple(by_depth.tolist()))
    if kind.form == "slab":
        along = None if kind.along_db_per_m is None else float(figure_at_frequency(frequency_mhz, kind.along_db_per_m))
        across, most = figure_at_frequency(frequency_mhz, kind.db_per_m), figure_at_frequency(frequency_mhz, kind.most_db)
        return FoliageGroup(float(across), float(most), False, scale, along, row_azimuth_deg, spread)
    rate, most = woodland_db_per_m(frequency_mhz), woodland_most_db(frequency_mhz)
    return FoliageGroup(float(rate), float(most), kind.form == "woodland", scale, spread=spread)
