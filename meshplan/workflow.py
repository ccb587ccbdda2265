"""The whole flow, top to bottom: property folder in, plan out. The command line and the Python API call these functions."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from meshplan.assembly.plan import Findings, assemble_plan
from meshplan.assembly.running import Catalogue, emission_of
from meshplan.errors import InputError, nearest_name
from meshplan.inputs.antennas import AntennaClass, CableClass, read_antennas, read_cables
from meshplan.inputs.cautions import read_caution_rules
from meshplan.inputs.property import Property, read_property
from meshplan.inputs.radios import read_batteries, read_boards, read_radio_classes, read_regions, read_solar
from meshplan.links.build_stations import build_stations
from meshplan.links.describe import Context, describe_links
from meshplan.links.engine import LinkTable, compute_links
from meshplan.links.graph import build_graph
from meshplan.links.pairs import candidate_pairs
from meshplan.links.path_loss import PathSettings
from meshplan.links.remedies import find_remedies
from meshplan.links.seasons import hemisphere_of, seasons_named
from meshplan.links.stations import Station
from meshplan.links.uncertainty import ErrorFields, draw_error_fields
from meshplan.operation.law import LegalVerdict, find_region, highest_lawful_power, lawful_mode
from meshplan.planning.from_graph import problem_from_graph
from meshplan.planning.problem import PlacementProblem, PlacementResult, SolveLimits
from meshplan.planning.solve import solve_placement
from meshplan.propagation.ground import ground_constants
from meshplan.propagation.refraction import effective_earth_radius_km
from meshplan.propagation.seasons import Hemisphere, Season
from meshplan.radio_records import RadioMode, Region, radio_mode
from meshplan.records import Link, Plan, Purpose, Role, Site
from meshplan.reporting.check_text import CheckReport
from meshplan.reporting.files import all_or_nothing
from meshplan.reporting.map import MapLandscape, map_landscape, write_map
from meshplan.reporting.plan_files import write_csv_tables, write_links_csv, write_plan_geojson, write_plan_json
from meshplan.terrain.geodesy import place_on_grid
from meshplan.terrain.landscape import Landscape, build_landscape
from meshplan.terrain.profile import ground_at

PLACE_HEIGHT_AGL_M = 1.5
"""Antenna height at a place that is no site: held at the chest."""

OnProgress = Callable[[str, int, int], None]
"""Called with the stage, steps done and steps in all (0: not known)."""


@dataclass(frozen=True, eq=False)
class Prepared:
    """A property ready for calculation with one radio."""

    found: Property
    landscape: Landscape
    radio: RadioMode
    antennas: dict[str, AntennaClass]
    cables: dict[str, CableClass]
    catalogue: Catalogue
    lawfulness: LegalVerdict
    """What the rules say about the radio itself, before its traffic is known."""
    seasons: tuple[Season, ...]
    hemisphere: Hemisphere
    stations: tuple[Station, ...]
    path: PathSettings
    assumptions: tuple[str, ...]

    @property
    def context(self) -> Context:
        """What the words about links need."""
        kinds = tuple(sorted({cover.kind for cover in self.landscape.covers}))
        return Context(
            landscape=self.landscape,
            settings=self.path,
            required_chance=self.found.settings.requirement.link_chance,
            hemisphere=self.hemisphere,
            cover_kinds=("open", *kinds),
        )


@dataclass(frozen=True, eq=False)
class Planned:
    """A plan with what it was made from."""

    plan: Plan
    prepared: Prepared
    links: LinkTable
    problem: PlacementProblem
    result: PlacementResult


def prepare(folder: Path, *, radio: str | None = None, overrides: dict[str, Any] | None = None) -> Prepared:
    """Read a property and make its landscape and stations.

    Parameters
    ----------
    folder : Path
        Folder with `property.toml`.
    radio : str, optional
        Radio class in place of the one in the file.
    overrides : dict, optional
        Settings in place of those in the file, with dotted keys.

    Raises
    ------
    MeshplanError
        Everything that is wrong with the input, all at once where it can be known at once.
    """
    found = read_property(folder, overrides=overrides)
    settings = found.settings
    hemisphere = hemisphere_of(sum(site.lat_deg for site in found.sites) / len(found.sites))
    seasons = seasons_named(settings.seasons, hemisphere)
    catalogue = Catalogue(
        region=find_region(read_regions(found.folder), settings.country),
        batteries=read_batteries(found.folder),
        boards=read_boards(found.folder),
        solar=read_solar(),
    )
    antennas, cables = read_antennas(found.folder), read_cables(found.folder)
    mode, lawfulness = choose_mode(found, radio or settings.radio[0], catalogue.region, antennas)
    landscape = build_landscape(found.elevation, found.covers)
    stations, notes = build_stations(found.sites, landscape, mode, antennas, cables, settings, _power_at(found, catalogue.region))
    path = PathSettings(
        frequency_mhz=mode.frequency_mhz,
        earth_radius_km=float(effective_earth_radius_km(settings.terrain.k_factor)),
        polarisation=settings.antenna.polarisation,
        ground=ground_constants(settings.terrain.ground, mode.frequency_mhz),
    )
    assumptions = (*found.assumptions, *landscape.assumptions, *mode.assumptions, *notes)
    return Prepared(
        found=found,
        landscape=landscape,
        radio=mode,
        antennas=antennas,
        cables=cables,
        catalogue=catalogue,
        lawfulness=lawfulness,
        seasons=seasons,
        hemisphere=hemisphere,
        stations=stations,
        path=path,
        assumptions=tuple(dict.fromkeys(assumptions)),
    )


def plan_property(
    folder: Path,
    *,
    radio: str | None = None,
    overrides: dict[str, Any] | None = None,
    limits: SolveLimits | None = None,
    on_progress: OnProgress | None = None,
) -> Planned:
    """Return the plan of a property: links, gateways, relays, routes, proof.

    Parameters
    ----------
    folder, radio, overrides
        As for `prepare`.
    limits : SolveLimits, optional
        How long to look for a better plan.
    on_progress : callable, optional
        Told of every stage.
    """
    tell = on_progress or _silent
    tell("Reading the property", 0, 0)
    prepared = prepare(folder, radio=radio, overrides=overrides)
    refuse_unlawful(prepared)
    tell("Computing links", 0, 0)
    error_fields = draw_error_fields(prepared.landscape)
    links = compute_all_links(
        prepared, error_fields=error_fields, on_progress=lambda done, total: tell("Computing links", done, total)
    )
    tell("Choosing gateways and relays", 0, 0)
    problem = placement_problem(prepared, links)
    result = solve_placement(problem, limits=limits)
    tell("Writing up the plan", 0, 0)
    plan = assemble_plan(
        Findings(
            found=prepared.found,
            context=prepared.context,
            radio=prepared.radio,
            seasons=prepared.seasons,
            antennas=prepared.antennas,
            catalogue=prepared.catalogue,
            caution_rules=read_caution_rules(),
            assumptions=prepared.assumptions,
            links=links,
            problem=problem,
            result=result,
            gateway_options=(),
            redundancy_prices=(),
        )
    )
    return Planned(plan, prepared, links, problem, result)


def check_property(folder: Path, *, radio: str | None = None, overrides: dict[str, Any] | None = None) -> CheckReport:
    """Return what a property folder holds and what would be assumed; faults are raised."""
    prepared = prepare(folder, radio=radio, overrides=overrides)
    found, grid = prepared.found, prepared.landscape.grid
    sites = {role: sum(site.role is role for site in found.sites) for role in Role}
    facts = (
        ("property", found.settings.name),
        ("sites", ", ".join(f"{count} {role.value}{'s' if count != 1 else ''}" for role, count in sites.items())),
        ("cover", f"{len(found.covers)} pieces" if found.covers else "none"),
        ("boundary", "yes" if found.boundary is not None else "none"),
        ("grid", f"{grid.columns} × {grid.rows} cells of {grid.cell_m:g} m"),
        ("radio", prepared.radio.title),
        ("rules", prepared.lawfulness.sentence),
        ("seasons", ", ".join(season.name for season in prepared.seasons)),
        ("candidate links", f"{len(candidate_pairs(prepared.stations))} to compute"),
    )
    refused = () if prepared.lawfulness.lawful else (f"{prepared.radio.title} is refused here: {prepared.lawfulness.sentence}",)
    return CheckReport(
        title=f"{folder}: {'fit to plan' if not refused else 'not fit to plan'}",
        good=not refused,
        facts=facts,
        assumptions=prepared.assumptions,
        warnings=found.warnings,
        faults=refused,
    )


def solve_limits(seconds: float | None = None) -> SolveLimits:
    """Return how long to look for a better plan; without seconds the result never depends on the machine's load."""
    return SolveLimits(time_s=seconds)


def write_plan(planned: Planned, folder: Path, *, on_progress: OnProgress | None = None) -> tuple[Path, ...]:
    """Write plan.json, plan.geojson, links.csv, the tables and the map, all or none of them; return their paths."""
    tell = on_progress or _silent
    tell("Writing map and tables", 0, 0)
    with all_or_nothing(folder) as scratch:
        files = [
            write_map(planned.plan, _map_landscape(planned), scratch / "map.html"),
            write_plan_json(planned.plan, scratch / "plan.json"),
            write_plan_geojson(planned.plan, scratch / "plan.geojson"),
            write_links_csv(planned.plan, scratch / "links.csv"),
            *write_csv_tables(planned.plan, scratch / "tables"),
        ]
        names = [path.relative_to(scratch) for path in files]
    return tuple(folder / name for name in names)


def _map_landscape(planned: Planned) -> MapLandscape:
    prepared = planned.prepared
    return map_landscape(planned.plan, prepared.landscape, prepared.stations, prepared.seasons, prepared.path)


def read_catalogue(what: str, folder: Path | None, keys: Sequence[str] = ()) -> dict[str, Any]:
    """Return radio classes, antennas, cables, regions, boards or cells by key; only some of them if keys are named."""
    readers: dict[str, Callable[[Path | None], dict[str, Any]]] = {
        "radios": read_radio_classes,
        "antennas": read_antennas,
        "cables": read_cables,
        "regions": read_regions,
        "boards": read_boards,
        "cells": read_batteries,
    }
    catalogue = dict(readers[what](folder))
    missing = [key for key in keys if key not in catalogue]
    if missing:
        raise InputError(
            f"'{missing[0]}' is not known.{nearest_name(missing[0], catalogue)}",
            where=f"meshplan radios, {what}",
            fix=f"Name one of: {', '.join(catalogue)}.",
        )
    return {key: catalogue[key] for key in keys} if keys else catalogue


def profile_between(
    folder: Path,
    a: str,
    b: str,
    *,
    antenna_a_agl_m: float | None = None,
    antenna_b_agl_m: float | None = None,
    radio: str | None = None,
    overrides: dict[str, Any] | None = None,
) -> tuple[Link, Prepared, tuple[str, ...]]:
    """Return the link between two sites or places, what it was computed with, and what was assumed.

    Parameters
    ----------
    folder, radio, overrides
        As for `prepare`.
    a, b : str
        Names of sites (or of stations, such as "Ridge post at 4 m"), or places as "latitude,longitude" in degrees.
    antenna_a_agl_m, antenna_b_agl_m : float, optional
        Antenna heights in place of those of the sites; places without a name stand at `PLACE_HEIGHT_AGL_M` by default.
    """
    prepared = prepare(folder, radio=radio, overrides=overrides)
    notes: list[str] = []
    ends = tuple(find_station(prepared, text, height_m, notes) for text, height_m in ((a, antenna_a_agl_m), (b, antenna_b_agl_m)))
    if ends[0].site.x_m == ends[1].site.x_m and ends[0].site.y_m == ends[1].site.y_m:
        raise InputError(f"'{a}' and '{b}' are the same place", fix="Name two different places.")
    pair = np.array([[0, 1]])
    fields = draw_error_fields(prepared.landscape)
    table = compute_links(ends, pair, prepared.landscape, prepared.seasons, prepared.path, error_fields=fields)
    link = describe_links(table, [0], prepared.context)[0]
    if link.verdict != "ample":
        context = prepared.context
        remedies = find_remedies(
            table, 0, context.landscape, context.settings, prepared.antennas, required_chance=context.required_chance
        )
        link = replace(link, remedies=remedies)
    return link, prepared, (*prepared.assumptions, *notes)


def find_station(prepared: Prepared, text: str, height_m: float | None, notes: list[str]) -> Station:
    """Return the station that a name or a "latitude,longitude" means, at a height if one is given."""
    place = _as_place(text)
    if place is not None:
        return _station_at(prepared, *place, text, height_m, notes)
    wanted = text.strip().casefold()
    stations = [
        *(station for station in prepared.stations if station.key.casefold() == wanted),
        *(station for station in prepared.stations if station.site.name.casefold() == wanted),
    ]
    if not stations:
        known = [*(station.key for station in prepared.stations), *(site.name for site in prepared.found.sites)]
        raise InputError(
            f"there is no site '{text}'.{nearest_name(text, known)}",
            where=str(prepared.found.folder),
            fix='Give the name of a site, or a place as "latitude,longitude".',
        )
    station = stations[0]
    if height_m is None:
        return station
    return replace(station, antenna_agl_m=height_m, key=f"{station.site.name} at {height_m:g} m")


def _as_place(text: str) -> tuple[float, float] | None:
    parts = text.replace(";", ",").split(",")
    try:
        lat_deg, lon_deg = (float(part) for part in parts)
    except ValueError:
        return None
    return lat_deg, lon_deg


def _station_at(prepared: Prepared, lat_deg: float, lon_deg: float, text: str, height_m: float | None, notes: list[str]) -> Station:
    grid = prepared.landscape.grid
    x_m, y_m = place_on_grid(grid, lon_deg, lat_deg)
    if np.isnan(ground_at(prepared.landscape, x_m, y_m)):
        swapped = place_on_grid(grid, lat_deg, lon_deg) if abs(lon_deg) <= 90.0 else (np.nan, np.nan)
        hint = " Latitude comes first; the two look swapped." if np.isfinite(ground_at(prepared.landscape, *swapped)) else ""
        raise InputError(
            f"the place {text} lies outside the elevation data or on unknown ground.{hint}",
            fix='Give a place inside the property as "latitude,longitude".',
        )
    if height_m is None:
        height_m = PLACE_HEIGHT_AGL_M
        notes.append(f"The antenna at {text} is taken to stand {height_m:g} m above the ground.")
    site = Site(f"place {text}", Role.RELAY, lon_deg, lat_deg, x_m, y_m, height_m)
    stations, more = build_stations(
        (site,),
        prepared.landscape,
        prepared.radio,
        prepared.antennas,
        prepared.cables,
        prepared.found.settings,
        _power_at(prepared.found, prepared.catalogue.region),
    )
    notes.extend(more)
    return stations[0]


def compute_all_links(
    prepared: Prepared,
    *,
    error_fields: ErrorFields | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> LinkTable:
    """Return every link worth computing; with error fields, elevation errors are carried."""
    return compute_links(
        prepared.stations,
        candidate_pairs(prepared.stations),
        prepared.landscape,
        prepared.seasons,
        prepared.path,
        error_fields=error_fields,
        on_progress=on_progress,
    )


def placement_problem(prepared: Prepared, links: LinkTable) -> PlacementProblem:
    """Return the choice of gateways and relays as a problem on the link graph."""
    asked = prepared.found.settings.requirement
    marked = any(site.second_route for site in prepared.found.sites)
    redundancy = "any one relay" if asked.second_route == "none" and marked else asked.second_route
    graph = build_graph(links, least_chance=asked.link_chance, second_routes_for_all=asked.second_route != "none")
    return problem_from_graph(
        graph,
        hop_limit=asked.hop_limit,
        redundancy=redundancy,
        min_link_chance=asked.link_chance,
        min_route_chance=asked.route_chance,
        budget=asked.budget if asked.budget is not None else float("inf"),
    )


def choose_mode(found: Property, radio: str, region: Region, antennas: dict[str, AntennaClass]) -> tuple[RadioMode, LegalVerdict]:
    """Return the radio at the frequency and power that rules and settings allow, and what the rules say about it."""
    wish = found.settings.radio_settings
    mode = radio_mode(
        read_radio_classes(found.folder),
        radio,
        spreading_factor=wish.spreading_factor,
        bit_rate=wish.bit_rate_bps,
        power_dbm=wish.power_dbm,
        frequency_mhz=wish.frequency_mhz,
    )
    key = found.settings.antenna.sensor or mode.default_antenna
    gain_dbi = antennas[key].peak_gain_dbi[1] if key in antennas else 0.0
    emission = emission_of(mode, gain_dbi, 0.0, purpose=Purpose.TREND, licence=wish.licence)
    return lawful_mode(region, emission, keep_power=wish.power_dbm is not None, keep_frequency=wish.frequency_mhz is not None)


def refuse_unlawful(prepared: Prepared) -> None:
    """Raise what the rules say when they allow this radio at no power here."""
    verdict = prepared.lawfulness
    if not verdict.lawful:
        raise InputError(
            f"{prepared.radio.title} is refused. {verdict.sentence}",
            where="property.toml, keys 'country' and 'radio'",
            fix=f"{verdict.changes[0] if verdict.changes else 'Choose another radio class.'} {verdict.advice}",
        )


def _power_at(found: Property, region: Region) -> Callable[[Site, AntennaClass, float, RadioMode], float]:
    """Return a function that gives the power a site may use with its own antenna."""
    wish = found.settings.radio_settings

    @cache
    def power_dbm(gain_dbi: float, feed_loss_db: float, purpose: Purpose, mode: RadioMode) -> float:
        emission = emission_of(mode, gain_dbi, feed_loss_db, purpose=purpose, licence=wish.licence)
        power, verdict = highest_lawful_power(region, emission)
        return min(power, mode.tx_power_dbm) if verdict.lawful else mode.tx_power_dbm

    def at(site: Site, antenna: AntennaClass, feed_loss_db: float, mode: RadioMode) -> float:
        if wish.power_dbm is not None:
            return mode.tx_power_dbm
        purpose = site.purpose if site.role is Role.SENSOR else Purpose.TREND
        return power_dbm(antenna.peak_gain_dbi[1], round(feed_loss_db, 6), purpose, mode)

    return at


def _silent(stage: str, done: int, total: int) -> None:
    return
