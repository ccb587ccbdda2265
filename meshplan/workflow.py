"""The whole flow, top to bottom: property folder in, plan out. The command line and the Python API call these functions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from meshplan.assembly.plan import assemble_plan
from meshplan.inputs.antennas import AntennaClass, CableClass, read_antennas, read_cables
from meshplan.inputs.property import Property, read_property
from meshplan.inputs.radios import read_radio_classes
from meshplan.links.build_stations import build_stations
from meshplan.links.describe import Context
from meshplan.links.engine import LinkTable, compute_links
from meshplan.links.graph import build_graph
from meshplan.links.pairs import candidate_pairs
from meshplan.links.path_loss import PathSettings
from meshplan.links.seasons import hemisphere_of, seasons_named
from meshplan.links.stations import Station
from meshplan.links.uncertainty import draw_error_fields
from meshplan.planning.from_graph import problem_from_graph
from meshplan.planning.problem import PlacementProblem, PlacementResult, SolveLimits
from meshplan.planning.solve import solve_placement
from meshplan.propagation.ground import ground_constants
from meshplan.propagation.refraction import effective_earth_radius_km
from meshplan.propagation.seasons import Hemisphere, Season
from meshplan.radio_records import RadioMode, radio_mode
from meshplan.records import Plan, Site
from meshplan.terrain.landscape import Landscape, build_landscape

OnProgress = Callable[[str, int, int], None]
"""Called with the stage, steps done and steps in all (0: not known)."""


@dataclass(frozen=True, eq=False)
class Prepared:
    """A property ready for calculation with one radio."""

    property: Property
    landscape: Landscape
    radio: RadioMode
    antennas: dict[str, AntennaClass]
    cables: dict[str, CableClass]
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
            required_chance=self.property.settings.requirement.link_chance,
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
    mode = radio_mode(
        read_radio_classes(found.folder),
        radio or settings.radio[0],
        spreading_factor=settings.radio_settings.spreading_factor,
        bit_rate=settings.radio_settings.bit_rate_bps,
        power_dbm=settings.radio_settings.power_dbm,
        frequency_mhz=settings.radio_settings.frequency_mhz,
    )
    landscape = build_landscape(found.elevation, found.covers)
    antennas, cables = read_antennas(found.folder), read_cables(found.folder)
    stations, notes = build_stations(found.sites, landscape, mode, antennas, cables, settings, _class_power)
    path = PathSettings(
        frequency_mhz=mode.frequency_mhz,
        earth_radius_km=float(effective_earth_radius_km(settings.terrain.k_factor)),
        polarisation=settings.antenna.polarisation,
        ground=ground_constants(settings.terrain.ground, mode.frequency_mhz),
    )
    assumptions = (*found.assumptions, *landscape.assumptions, *mode.assumptions, *notes)
    return Prepared(
        property=found,
        landscape=landscape,
        radio=mode,
        antennas=antennas,
        cables=cables,
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
    tell("Computing links", 0, 0)
    links = compute_all_links(prepared, on_progress=lambda done, total: tell("Computing links", done, total))
    tell("Choosing gateways and relays", 0, 0)
    problem = placement_problem(prepared, links)
    result = solve_placement(problem, limits=limits)
    tell("Writing up the plan", 0, 0)
    plan = assemble_plan(prepared, links, problem, result)
    return Planned(plan, prepared, links, problem, result)


def compute_all_links(prepared: Prepared, *, on_progress: Callable[[int, int], None] | None = None) -> LinkTable:
    """Return every link worth computing, elevation errors carried."""
    return compute_links(
        prepared.stations,
        candidate_pairs(prepared.stations),
        prepared.landscape,
        prepared.seasons,
        prepared.path,
        error_fields=draw_error_fields(prepared.landscape),
        on_progress=on_progress,
    )


def placement_problem(prepared: Prepared, links: LinkTable) -> PlacementProblem:
    """Return the choice of gateways and relays as a problem on the link graph."""
    asked = prepared.property.settings.requirement
    marked = any(site.second_route for site in prepared.property.sites)
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


def _class_power(site: Site, antenna: AntennaClass, feed_loss_db: float, radio: RadioMode) -> float:
    return radio.tx_power_dbm


def _silent(stage: str, done: int, total: int) -> None:
    return
