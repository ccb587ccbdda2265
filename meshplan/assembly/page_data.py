"""The land and the constants of the link engine as the page needs them. Nothing is computed here that a link does not also use."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from statistics import median

import numpy as np

from meshplan.assembly.page_records import (
    CoverageLayer,
    MapLandscape,
    MeasuredPoint,
    NewPlace,
    PageClutter,
    PageCover,
    PageEnd,
    PageEndClutter,
    PageEngine,
    PageErrors,
    PageNewPlace,
    PageUnmapped,
)
from meshplan.explain.obstacles import cover_words
from meshplan.explain.verdict import SURE_NO_CHANCE
from meshplan.kinds import FIELD_CROPS, PLANT_KINDS
from meshplan.links.margins import ALARM_SUCCESS, OBSTRUCTED_FROM_DB, TREND_SUCCESS
from meshplan.loss.bypass_paths import CLEAR_BELOW_M, FURTHEST_ASIDE_M
from meshplan.loss.end_clutter import assumed_clutter
from meshplan.loss.error_fields import draw_error_fields, spreads_on_lattice
from meshplan.loss.path_loss import NEAR_AN_ANTENNA_M, OVER_CROWNS_SPREAD_DB, PathSettings
from meshplan.loss.uncertainty import CLEAR_MODEL_SPREAD_DB, OBSTRUCTED_MODEL_SPREAD_DB, SOIL_SPREAD_DB
from meshplan.loss.walls import DEFAULT_WALL, enclosure_loss_db, enclosure_spread_db
from meshplan.propagation.behind_hills import FULLY_BLOCKED_NU, GIVEN_BACK, SHADOWED_FROM_DB
from meshplan.propagation.clutter import (
    CHANCE_LENGTH_M,
    CLUTTER_MOST_MHZ,
    CLUTTER_SPREAD_DB,
    LEAST_ANTENNA_M,
    MOST_END_LOSS_DB,
)
from meshplan.propagation.noise import usual_noise_rise_db
from meshplan.propagation.seasons import Season
from meshplan.propagation.tables import figure_at_frequency
from meshplan.propagation.variability import rayleigh_fade_db
from meshplan.propagation.vegetation import MOST_SPREAD_DB, woodland_db_per_m, woodland_most_db
from meshplan.records import Cover, Plan, Purpose, Role
from meshplan.records.clutter import EndClutter
from meshplan.records.station import Station
from meshplan.terrain.candidates import FOUND_ON_THE_LAND
from meshplan.terrain.landscape import MOST_SHORT_NUMBERS, Landscape
from meshplan.terrain.mapped_land import FULLY_UNMAPPED_M


def map_landscape(
    plan: Plan,
    landscape: Landscape,
    stations: Sequence[Station],
    seasons: Sequence[Season],
    settings: PathSettings,
    *,
    coverage: Sequence[CoverageLayer] = (),
    measured: Sequence[MeasuredPoint] = (),
    more: Sequence[tuple[Sequence[Station], PathSettings]] = (),
    new: Sequence[NewPlace] = (),
    changes: Sequence[Mapping[str, str]] = (),
) -> MapLandscape:
    """Return the land under a plan with everything the page's own trials need.

    Parameters
    ----------
    plan : Plan
        Its devices become the ends of trial links.
    landscape : Landscape
    stations, seasons, settings
        What the links of the plan were computed with.
    coverage, measured
        Layers to show on the map.
    more
        Stations and settings of each further radio class.
    new
        Places that a reader may add on the page, of the first radio class.
    changes
        Rows of the changes file that the plan was made with.
    """
    if len(landscape.covers) > MOST_SHORT_NUMBERS:  # the page holds two bytes a cell: it shows the plan, and offers no trials
        return MapLandscape(
            grid=landscape.grid, ground_amsl_m=landscape.ground_amsl_m, coverage=tuple(coverage), measured=tuple(measured)
        )
    return MapLandscape(
        grid=landscape.grid,
        ground_amsl_m=landscape.ground_amsl_m,
        coverage=tuple(coverage),
        measured=tuple(measured),
        engine=replace(page_engine(plan, landscape, stations, seasons, settings), new_places=tuple(map(_page_new_place, new))),
        more_engines=tuple(page_engine(plan, landscape, other, seasons, path) for other, path in more),
        changes=tuple(changes),
    )


def page_engine(
    plan: Plan, landscape: Landscape, stations: Sequence[Station], seasons: Sequence[Season], settings: PathSettings
) -> PageEngine:
    """Return the constants of the page's engine."""
    groups: dict[tuple[str, float | None], int] = {}
    covers = tuple(
        _page_cover(cover, number, plan, landscape, seasons, settings, groups) for number, cover in enumerate(landscape.covers)
    )
    spreads = [link.season(link.worst_season).spread.elevation_db for link in plan.links if link.seasons]
    known = [spread for spread in spreads if np.isfinite(spread)]
    return PageEngine(
        radio=stations[0].radio.name if stations else plan.radio.key,
        frequency_mhz=settings.frequency_mhz,
        effective_earth_radius_km=settings.earth_radius_km,
        relative_permittivity=float(settings.ground.permittivity),
        conductivity_s_per_m=float(settings.ground.conductivity_s_per_m),
        vertical=settings.polarisation == "vertical",
        cover_number=landscape.cover_lattice.index,
        canopy_m=landscape.canopy_m,
        covers=covers,
        ends=tuple(_page_ends(plan, stations)),
        season_antenna_loss_db=tuple(season.antenna_loss_db for season in seasons),
        season_leaf_share=tuple(season.leaf_share for season in seasons),
        clutter=PageClutter(CLUTTER_MOST_MHZ, MOST_END_LOSS_DB, LEAST_ANTENNA_M, CHANCE_LENGTH_M, CLUTTER_SPREAD_DB),
        unmapped=_page_unmapped(landscape),
        near_an_antenna_m=NEAR_AN_ANTENNA_M,
        furthest_aside_m=FURTHEST_ASIDE_M,
        clear_below_m=CLEAR_BELOW_M,
        shadowed_from_db=SHADOWED_FROM_DB,
        given_back=GIVEN_BACK,
        fully_blocked_nu=FULLY_BLOCKED_NU,
        over_crowns_spread_db=OVER_CROWNS_SPREAD_DB,
        most_plant_spread_db=MOST_SPREAD_DB,
        clear_spread_db=CLEAR_MODEL_SPREAD_DB,
        obstructed_spread_db=OBSTRUCTED_MODEL_SPREAD_DB,
        obstructed_from_db=OBSTRUCTED_FROM_DB,
        soil_spread_db=SOIL_SPREAD_DB,
        elevation_spread_db=median(known) if known else 0.0,
        relaxed_fade_db=float(rayleigh_fade_db(TREND_SUCCESS)),
        strict_fade_db=float(rayleigh_fade_db(ALARM_SUCCESS)),
        sure_no_chance=SURE_NO_CHANCE,
        cover_share=landscape.cover_lattice.share,
        sampled_as_m=landscape.sampled_as_m,
        errors=_page_errors(landscape),
    )


ERROR_CELLS = 20_000
"""Places at which the page has the standard deviation of a raster, which changes over some of its cells only."""


def _page_errors(landscape: Landscape) -> tuple[PageErrors, ...]:
    grid = landscape.grid
    every = max(1, int(np.ceil(np.sqrt(grid.rows * grid.columns / ERROR_CELLS))))
    columns, rows = (
        np.minimum(np.arange(-(-(count - 1) // every) + 1) * every, count - 1.0) for count in (grid.columns, grid.rows)
    )
    x, y = grid.x_y(columns, np.zeros(1))[0], grid.x_y(np.zeros(1), rows)[1]
    first = np.array([float(part) for part in grid.x_y(0, 0)])
    drawn = draw_error_fields(landscape)
    hides = [waves for causes in drawn.waves if any(one.hidden for one in causes) for waves in causes]
    return tuple(
        PageErrors(waves in hides, waves.vector_per_m, (waves.phase + waves.vector_per_m @ first) % (2.0 * np.pi), spread, every)
        for waves, spread in spreads_on_lattice(drawn, landscape, x, y)
        if spread.any()
    )


def _page_cover(
    cover: Cover,
    number: int,
    plan: Plan,
    landscape: Landscape,
    seasons: Sequence[Season],
    settings: PathSettings,
    groups: dict[tuple[str, float | None], int],
) -> PageCover:
    frequency = settings.frequency_mhz
    kind = PLANT_KINDS.get(cover.kind)
    slab = kind is not None and kind.form == "slab"
    across = along = most = 0.0
    if kind is not None and slab:
        across = along = float(figure_at_frequency(frequency, kind.db_per_m))
        most = float(figure_at_frequency(frequency, kind.most_db))
        if kind.along_db_per_m is not None:
            along = float(figure_at_frequency(frequency, kind.along_db_per_m))
    elif kind is not None:
        across = along = float(woodland_db_per_m(frequency))
        most = float(woodland_most_db(frequency))
    shares = []
    for season in seasons:
        leaf = 1.0 if cover.kind in FIELD_CROPS else season.leaf_share
        share = 0.0 if kind is None else kind.bare_factor + (1.0 - kind.bare_factor) * leaf
        shares.append(share * (1.0 + kind.wet_add * leaf) if kind is not None and season.wet else share)
    wall = cover.wall or DEFAULT_WALL
    group = groups.setdefault((cover.kind, cover.row_azimuth_deg), len(groups))
    heights = [float(landscape.cover_heights_m(month)[number + 1]) for month in range(1, 13)]
    return PageCover(
        kind=plan.cover_kinds.index(cover.kind) if cover.kind in plan.cover_kinds else 0,
        words=cover_words(cover),
        solid=cover.is_building,
        heights_m=tuple(heights[season.month - 1] for season in seasons),
        tallest_m=max(heights),
        wall_db=enclosure_loss_db(wall, frequency) if cover.is_building else 0.0,
        wall_spread_db=enclosure_spread_db(wall, frequency) if cover.is_building else 0.0,
        group=group,
        form=kind.form if kind is not None else "",
        db_per_m=across,
        along_db_per_m=along,
        most_db=most,
        row_azimuth_deg=cover.row_azimuth_deg if slab else None,
        season_share=tuple(shares),
        spread_share=kind.spread_share if kind is not None else 0.0,
        least_spread_db=kind.least_spread_db if kind is not None else 0.0,
    )


def page_around(around: EndClutter | None) -> PageEndClutter | None:
    """Return what stands around an end as the page needs it."""
    if around is None:
        return None
    return PageEndClutter(
        assumed=not around.named,
        named=around.is_one_named_height,
        tops_m=around.low_middle_high_m,
        share=around.share,
        model_spread_db=around.model_spread_db,
        leafless_share=around.leafless_share,
        street_width_m=around.street_width_m,
    )


def _page_unmapped(landscape: Landscape) -> PageUnmapped | None:
    mapped, grid = landscape.mapped, landscape.grid
    around = page_around(assumed_clutter(mapped.unmapped, 1.0))
    if mapped.boxes is None or around is None:
        return None
    boxes = tuple(
        (west - grid.west_m, grid.north_m - north, east - grid.west_m, grid.north_m - south)
        for west, south, east, north in mapped.boxes
    )
    return PageUnmapped(around, boxes, FULLY_UNMAPPED_M)


def _page_ends(plan: Plan, stations: Sequence[Station]) -> list[PageEnd]:
    """Return an end for each device of the plan that has a station at its height, or at any height."""
    ends = []
    for device in plan.devices:
        own = [one for one in stations if one.key == device.name]
        own = own or [one for one in stations if one.site.name == device.name and one.site.role == device.role]
        if not own:
            continue
        station = min(own, key=lambda one: abs(one.antenna_agl_m - device.antenna_agl_m))
        ends.append(_page_end(station, device.name))
    return ends


def _page_end(station: Station, name: str) -> PageEnd:
    sensor = station.site.role is Role.SENSOR
    return PageEnd(
        name=name,
        site=station.site.name,
        is_sensor=sensor,
        relaxed=sensor and station.site.purpose is Purpose.TREND,
        tx_power_dbm=station.tx_power_dbm,
        sensitivity_dbm=station.sensitivity_dbm,
        gain_dbi=station.antenna.gain_dbi,
        pattern=station.antenna.pattern,
        horizontal_beamwidth_deg=station.antenna.horizontal_beamwidth_deg,
        azimuth_deg=station.grid_azimuth_deg,
        tilt_deg=station.site.tilt_deg,
        local_loss_db=station.local_loss_db,
        entry_loss_db=station.entry_loss_db,
        entry_spread_db=station.entry_spread_db,
        around=page_around(station.clutter),
        polarisation_deg=station.polarisation_deg,
        antenna_spread_db=station.antenna.spread_db,
        inside=station.inside,
        antenna_agl_m=station.antenna_agl_m,
        can_speak=station.can_speak,
        can_hear=station.can_hear,
        is_indoors=bool(station.site.indoors),
        walls_noise_db=_walls_noise_db(station),
        is_found=station.site.where == FOUND_ON_THE_LAND,
        power=station.site.power.value,
    )


def _page_new_place(new: NewPlace) -> PageNewPlace:
    site, end = new.station.site, _page_end(new.station, "")
    open_end = replace(end, site="", around=None, antenna_agl_m=new.usual_agl_m)
    power, purpose = site.power.value, site.purpose.value
    return PageNewPlace(site.role.value, purpose, power, open_end, new.cost, new.mast_per_m, new.free_mast_m)


def _walls_noise_db(station: Station) -> float:
    """Return by how much the noise that is assumed of a place rises where walls stand around it."""
    if station.site.noise_rise_db is not None:
        return 0.0
    inside, outside = (float(usual_noise_rise_db(station.radio.frequency_mhz, near_buildings=near)) for near in (True, False))
    return inside - outside
