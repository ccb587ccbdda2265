"""The whole flow of a plan, top to bottom: folder, links, choice of devices, record, files."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import ceil, inf
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshplan.assembly.airtime_headroom import serves_as_many, who_does_not_fit
from meshplan.assembly.alternatives import Alternatives, look_at_alternatives
from meshplan.assembly.page_data import map_landscape
from meshplan.assembly.page_records import MapLandscape, MeasuredPoint
from meshplan.assembly.plan import Findings, assemble_plan
from meshplan.assembly.running import Running
from meshplan.assembly.traffic import command_need
from meshplan.errors import InputError, said_of
from meshplan.explain.remedies import Correct
from meshplan.inputs.cautions import read_caution_rules
from meshplan.inputs.file_hashes import hash_inputs
from meshplan.inputs.osm_utilities import wire_rules
from meshplan.inputs.property_files import find_files
from meshplan.inputs.settings_file import SETTINGS_FILE
from meshplan.links.graph import build_graph
from meshplan.links.known_links import KnownLinks, links_with_known
from meshplan.links.link_table import LinkTable, PathFigures, compute_links, table_of_paths
from meshplan.links.mixture import join_tables
from meshplan.links.pairs import candidate_pairs
from meshplan.loss.uncertainty import ErrorFields, draw_error_fields
from meshplan.operation.law_rows import COMFORT_SHARE
from meshplan.planning.from_graph import problem_from_graph
from meshplan.planning.problem import PlacementProblem, PlacementResult, ProgressEvent, SolveLimits
from meshplan.planning.solve import solve_placement
from meshplan.records import MadeWith, Plan, Role
from meshplan.records.codec import plan_to_json
from meshplan.records.short_form import Facts, ShortForm
from meshplan.reporting.file_sets import all_or_nothing
from meshplan.workflow.airtime import (
    MOST_AIRTIME_ROUNDS,
    airtime_of,
    at_the_limit,
    how_overfull,
    lost_by_failure,
    running_of,
    second_routes_without_airtime,
)
from meshplan.workflow.better_radio import better_radio
from meshplan.workflow.changed_places import workshop_of
from meshplan.workflow.devices import settings_of_devices, write_devices
from meshplan.workflow.found_beside_wires import could_be_set_aside, falls_on_wires
from meshplan.workflow.learned import CALIBRATION_FILE, correction_as_asked
from meshplan.workflow.new_places import new_places
from meshplan.workflow.prepare import Prepared, prepare_property, refuse_unlawful
from meshplan.workflow.progress import OnProgress, OnSearch, silent

"""Name in the property folder."""


@dataclass(frozen=True)
class PathsAsked:
    """Which paths of a property are computed: enough for another process to find the same pairs."""

    radio: str = ""
    """Class named in place of the one in property.toml; empty if none was."""
    part: int = 0
    """Number of the class where places name radios of their own."""
    prune: bool = True
    alike: bool = False
    """Whether every place carries `radio`, as a comparison asks for."""


PathsBy = Callable[[Prepared, NDArray[np.intp], ErrorFields, PathsAsked, Callable[[int, int], None] | None], PathFigures]
"""What computes paths elsewhere than in this process, such as a cluster, with the same bits."""


@dataclass(frozen=True, eq=False, repr=False)
class Planned(ShortForm):
    """A plan with what it was made from."""

    plan: Plan
    prepared: Prepared
    links: LinkTable
    problem: PlacementProblem
    result: PlacementResult
    known: tuple[KnownLinks, ...] = ()
    """The links of each class as computed, for `workflow.replan`; empty where they were corrected or given."""

    def short_facts(self) -> Facts:
        """Return what the plan says of itself."""
        return self.plan.short_facts()


def plan_property(
    folder: Path,
    *,
    radio: str | None = None,
    overrides: dict[str, Any] | None = None,
    limits: SolveLimits | None = None,
    calibrated: bool = False,
    paths_by: PathsBy | None = None,
    on_progress: OnProgress | None = None,
    on_search: OnSearch | None = None,
) -> Planned:
    """Return the plan of a property: links, gateways, relays, routes, proof.

    Parameters
    ----------
    folder, radio, overrides
        As for `prepare_property`.
    limits : SolveLimits, optional
        How long to look for a better plan.
    calibrated : bool
        Whether to use what readings taught, as kept in the property folder.
    paths_by : callable, optional
        What computes the paths in place of this process.
    on_progress : callable, optional
        Told of every stage.
    on_search : callable, optional
        Told of each better plan and bound while the choice of gateways and relays is sought.
    """
    tell = on_progress or silent
    tell("Reading the property", 0, 0)
    prepared = prepare_property(folder, radio=radio, overrides=overrides)
    refuse_unlawful(prepared)
    tell("Computing links", 0, 0)
    error_fields = draw_error_fields(prepared.landscape)
    known = links_of_parts(
        prepared, error_fields, paths_by=paths_by, on_progress=lambda done, total: tell("Computing links", done, total)
    )
    correct, notes = correction_as_asked(prepared.found.folder, prepared.landscape.grid.crs, calibrated=calibrated, command="plan")
    links = correct(links_together(prepared, known))
    planned = plan_with_links(
        prepared, links, limits=limits, notes=notes, calibrated=calibrated, correct=correct, on_progress=tell, on_search=on_search
    )
    return replace(planned, known=tuple(part for part in known if part is not None))


def plan_with_links(
    prepared: Prepared,
    links: LinkTable,
    *,
    limits: SolveLimits | None = None,
    notes: tuple[str, ...] = (),
    calibrated: bool = False,
    correct: Correct | None = None,
    on_progress: OnProgress | None = None,
    on_search: OnSearch | None = None,
) -> Planned:
    """Return the plan over links that are already computed; `notes` are said among the assumptions.

    `calibrated` says that the links were corrected by the calibration kept in the property folder, `correct` is what
    corrected them.
    """
    tell = on_progress or silent
    tell("Choosing gateways and relays", 0, 0)
    problem, result, airtime_factor = solve_within_airtime(prepared, links, limits=limits, on_search=on_search)
    tell("Looking at alternatives", 0, 0)
    limit = at_the_limit(prepared, links, problem, airtime_factor)
    alternatives = look_at_alternatives(
        problem, result, links, prepared.found.settings.cost.currency, limits=limits, at_limit=limit
    )
    better = better_radio(prepared, links, result, problem_and_share, calibrated=calibrated)
    tell("Writing up the plan", 0, 0)
    plan = write_up(
        prepared,
        links,
        problem,
        result,
        alternatives,
        notes=notes,
        calibrated=calibrated,
        correct=correct,
        better=better,
        airtime_factor=airtime_factor,
    )
    return Planned(plan, prepared, links, problem, result)


def write_up(
    prepared: Prepared,
    links: LinkTable,
    problem: PlacementProblem,
    result: PlacementResult,
    alternatives: Alternatives,
    *,
    notes: tuple[str, ...] = (),
    calibrated: bool = False,
    correct: Correct | None = None,
    better: str = "",
    airtime_factor: float = 1.0,
) -> Plan:
    """Return the plan record of a choice of devices; nothing is searched for.

    `correct` is what corrected the links; `better` tells of another class that would serve more; `airtime_factor` is that of
    `placement_problem`.
    """
    found = prepared.found
    return assemble_plan(
        Findings(
            found=found,
            context=prepared.context,
            radio=prepared.radio,
            seasons=prepared.seasons,
            workshop=workshop_of(prepared, links, correct),
            catalogue=prepared.base.catalogue,
            caution_rules=read_caution_rules(),
            assumptions=(*prepared.assumptions, *notes),
            links=links,
            problem=problem,
            result=result,
            alternatives=alternatives,
            loses_service=lost_by_failure(prepared, links, problem, result.plan, airtime_factor),
            contexts={part.radio.frequency_mhz: part.context for part in prepared.parts},
            more_radios=tuple(part.radio for part in prepared.parts[1:]),
            cables=prepared.base.cables,
            better_radio=better,
            ways_out=prepared.base.backhauls,
            wire_rules=wire_rules(),
            made_with=MadeWith(prepared.asked_radio, prepared.base.overrides, calibrated, airtime_factor),
            inputs=hash_inputs(found.folder, found.settings, more=(CALIBRATION_FILE,) if calibrated else ()),
        )
    )


def solve_limits(seconds: float | None = None) -> SolveLimits:
    """Return how long to look for a better plan; without seconds the result never depends on the machine's load."""
    return SolveLimits(time_s=seconds)


def write_plan(planned: Planned, folder: Path, *, headers: bool = False, on_progress: OnProgress | None = None) -> tuple[Path, ...]:
    """Write map, report, plan.json, plan.geojson, links.csv, tables and exports, all or none of them; return their paths.

    Devices keep the numbers of the property folder, then those of the plan that lies in `folder` from before; `headers` asks for
    a C header for each.
    """
    # Page, drawings and folium are heavy, and a comparison, which plans for every class, writes none of this.
    from meshplan.reporting.exports import write_geopackage, write_gpx, write_kml  # noqa: PLC0415
    from meshplan.reporting.map import write_map  # noqa: PLC0415
    from meshplan.reporting.plan_files import (  # noqa: PLC0415
        write_csv_tables,
        write_links_csv,
        write_plan_geojson,
        write_plan_json,
    )
    from meshplan.reporting.report import write_report  # noqa: PLC0415

    tell = on_progress or silent
    tell("Writing map and tables", 0, 0)
    devices, numbers = settings_of_devices(planned.plan, planned.prepared, planned.links, planned.result.plan, folder)
    with all_or_nothing(folder) as scratch:
        document = plan_to_json(planned.plan)
        files = [
            write_map(planned.plan, map_land(planned), scratch / "map.html"),
            write_plan_json(planned.plan, scratch / "plan.json", document),
            write_plan_geojson(planned.plan, scratch / "plan.geojson"),
            write_links_csv(planned.plan, scratch / "links.csv"),
            write_report(planned.plan, scratch / "report.html", document),
            *write_csv_tables(planned.plan, scratch / "tables"),
            write_geopackage(planned.plan, scratch / "exports" / "plan.gpkg"),
            write_gpx(planned.plan, scratch / "exports" / "sites.gpx"),
            write_kml(planned.plan, scratch / "exports" / "plan.kml"),
            *write_devices(devices, numbers, scratch, headers=headers),
        ]
        names = [path.relative_to(scratch) for path in files]
    return tuple(folder / name for name in names)


def map_land(planned: Planned, *, measured: Sequence[MeasuredPoint] = ()) -> MapLandscape:
    """Return the land under a plan for its map, with the places where somebody measured."""
    return land_of_map(planned.plan, planned.prepared, measured=measured)


def land_of_map(plan: Plan, prepared: Prepared, *, measured: Sequence[MeasuredPoint] = ()) -> MapLandscape:
    """Return the land under a plan that was made of a prepared property, now or before."""
    first, *others = prepared.parts or (prepared,)
    return map_landscape(
        plan,
        first.landscape,
        first.stations,
        first.seasons,
        first.path,
        measured=measured,
        more=[(part.stations, part.path) for part in others],
        new=new_places(first),
        changes=first.found.changes,
    )


def compute_all_links(
    prepared: Prepared,
    *,
    error_fields: ErrorFields | None = None,
    asked: PathsAsked | None = None,
    paths_by: PathsBy | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> LinkTable:
    """Return every link worth computing; with error fields, elevation errors are carried.

    `asked` and `paths_by` are those of `links_of_parts`.
    """
    found = links_of_parts(prepared, error_fields, asked=asked, paths_by=paths_by, on_progress=on_progress)
    return links_together(prepared, found)


def links_of_parts(
    prepared: Prepared,
    error_fields: ErrorFields | None,
    *,
    asked: PathsAsked | None = None,
    known: Sequence[KnownLinks] = (),
    paths_by: PathsBy | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> list[KnownLinks | None]:
    """Return the links of each class; None for a class of which no two stations may speak.

    `asked` says which pairs; without it they are those that the property's own radio may bridge. `known` are links of the property
    before a change, or of another class of the same frequency: their paths are not computed anew. `paths_by` computes paths
    elsewhere.
    """
    asked = asked or PathsAsked(prepared.asked_radio)
    draws = 0 if error_fields is None else error_fields.draws
    found: list[KnownLinks | None] = []
    for number, part in enumerate(prepared.parts or (prepared,)):
        before = next((each for each in known if each.settings == part.path), None)
        if paths_by is not None and error_fields is not None:
            table = links_by(paths_by, part, error_fields, replace(asked, part=number), on_progress)
        else:
            table = _links_of(part, error_fields, asked.prune, before, on_progress)
        found.append(None if table is None else KnownLinks(table, part.landscape, part.path, draws))
    return found


def links_together(prepared: Prepared, known: Sequence[KnownLinks | None]) -> LinkTable:
    """Return the links of all classes as one table."""
    parts, tables = prepared.parts or (prepared,), [None if part is None else part.table for part in known]
    if all(table is None for table in tables):
        fix = "Add gateway and relay candidates that carry the radio class of the sensors."
        where = ", ".join(find_files(prepared.found.folder, prepared.found.settings).sites)
        raise InputError("no two places of the property may speak to each other", where=where, fix=fix)
    if prepared.parts:
        return join_tables([(part.stations, table) for part, table in zip(parts, tables, strict=True)])
    assert tables[0] is not None
    return tables[0]


def _links_of(
    prepared: Prepared,
    error_fields: ErrorFields | None,
    prune: bool,
    known: KnownLinks | None,
    on_progress: Callable[[int, int], None] | None,
) -> LinkTable | None:
    """Return the links of one class; None if no pair of its stations may speak."""
    pairs = pairs_of(prepared, prune=prune)
    if not len(pairs):
        return None
    compute = compute_links if known is None else partial(links_with_known, known)
    return compute(
        prepared.stations,
        pairs,
        prepared.landscape,
        prepared.seasons,
        prepared.path,
        error_fields=error_fields,
        on_progress=on_progress,
    )


def pairs_of(prepared: Prepared, *, prune: bool) -> NDArray[np.intp]:
    """Return the pairs of stations that are computed: those that the radio may bridge, or all that may speak if it bridges none."""
    pairs = candidate_pairs(prepared.stations, prune=prune)
    return pairs if len(pairs) else candidate_pairs(prepared.stations, prune=False)


def links_by(
    paths_by: PathsBy,
    prepared: Prepared,
    error_fields: ErrorFields,
    asked: PathsAsked,
    on_progress: Callable[[int, int], None] | None = None,
) -> LinkTable | None:
    """Return the links of one class over paths that are computed elsewhere; None if no pair of its stations may speak."""
    pairs = pairs_of(prepared, prune=asked.prune)
    if not len(pairs):
        return None
    paths = paths_by(prepared, pairs, error_fields, asked, on_progress)
    return table_of_paths(prepared.stations, pairs, prepared.landscape, prepared.seasons, prepared.path, paths)


def solve_within_airtime(
    prepared: Prepared, links: LinkTable, *, limits: SolveLimits | None = None, on_search: OnSearch | None = None
) -> tuple[PlacementProblem, PlacementResult, float]:
    """Return the problem, its solution and the airtime factor, made anew while devices are fuller than was counted on.

    Repeats depend on the routes, and the routes on the room that repeats leave; commands, which nothing reserves room for, come on
    top. Each round scales the airtime of all readings by the fullest device of the plan before.
    """
    return solved_and_running(prepared, links, limits=limits, on_search=on_search)[:3]


def solved_and_running(
    prepared: Prepared, links: LinkTable, *, limits: SolveLimits | None = None, on_search: OnSearch | None = None
) -> tuple[PlacementProblem, PlacementResult, float, Running]:
    """Return what `solve_within_airtime` returns, and what running the plan costs each device.

    Where the devices of a plan cannot carry everybody when one fails, those who lose service then are planned anew without the
    second route that they ask for: it would be none. Each round names one sensor more at least.
    """
    once: frozenset[str] = frozenset()
    while True:
        problem, result, factor, running = _solved_with(prepared, links, once, limits, on_search)
        more = second_routes_without_airtime(prepared, links, problem, result.plan, factor)
        if not more:
            return problem, result, factor, running
        once |= set(more)


def _solved_with(
    prepared: Prepared,
    links: LinkTable,
    once: frozenset[str],
    limits: SolveLimits | None,
    on_search: OnSearch | None,
) -> tuple[PlacementProblem, PlacementResult, float, Running]:
    factor = 1.0
    problem, share = problem_and_share(prepared, links, factor, once)
    result = solve_placement(problem, limits=limits, on_progress=_news(on_search))
    running = running_of(prepared, links, result.plan)
    for _ in range(MOST_AIRTIME_ROUNDS):
        full = how_overfull(running, result.plan, share)
        if full <= 1.0:
            break
        more = ceil(factor * full * 1e6) / 1e6
        tighter, share = problem_and_share(prepared, links, more, once)
        problem, result, factor = tighter, solve_placement(tighter, limits=limits, on_progress=_news(on_search)), more
        running = running_of(prepared, links, result.plan)
    return problem, result, factor, running


def _news(on_search: OnSearch | None) -> Callable[[ProgressEvent], None] | None:
    return None if on_search is None else lambda event: on_search(event.best_cost, event.bound, event.gap)


def placement_problem(prepared: Prepared, links: LinkTable, airtime_factor: float = 1.0) -> PlacementProblem:
    """Return the choice of gateways and relays as a problem on the link graph.

    Devices keep half of their airtime free where all sensors fit so, else they may fill what the rules allow; who does not fit
    then is left out, the least important first. A place from which a mast could fall on a power line is ruled out where the others
    could serve as many, whatever it would save. `airtime_factor` is the airtime of readings over what their usual repeats take.
    """
    return problem_and_share(prepared, links, airtime_factor)[0]


def problem_and_share(
    prepared: Prepared, links: LinkTable, airtime_factor: float, once: frozenset[str] = frozenset()
) -> tuple[PlacementProblem, float]:
    """Return the problem of `placement_problem` and the share of what the rules allow that its devices may fill.

    `once` names the sensors for whose second route there is no airtime.
    """
    asked = prepared.found.settings.requirement
    marked = any(site.second_route for site in prepared.found.sites)
    redundancy = "any one relay" if asked.second_route == "none" and marked else asked.second_route
    graph = build_graph(
        links,
        least_chance=asked.link_chance,
        second_routes_for_all=asked.second_route != "none",
        horizon_years=prepared.found.settings.cost.horizon_years,
    )
    for station in links.stations:
        if station.site.role is Role.SENSOR:
            graph.nodes[station.key]["one_route"] = station.key in once
            graph.nodes[station.key]["min_route_chance"] = asked.route_floor(station.site.purpose.value)
        if command_need(station.site) is not None and station.radio.tx_only:
            graph.remove_edges_from(list(graph.out_edges(station.key)))  # a one-way radio never serves a command

    def problem(share: float) -> PlacementProblem:
        budget = airtime_of(prepared, links, share, airtime_factor)
        for station in links.stations:
            word, figures, none = (
                ("load", budget.load, 0.0) if station.site.role is Role.SENSOR else ("capacity", budget.capacity, inf)
            )
            graph.nodes[station.key][word] = figures.get(station.key, none)
        with said_of(f"{SETTINGS_FILE} and the sites"):
            return problem_from_graph(
                graph,
                hop_limit=asked.hop_limit,
                redundancy=redundancy,
                second_hop_limit=asked.second_hop_limit,
                min_link_chance=asked.link_chance,
                budget=asked.budget if asked.budget is not None else float("inf"),
            )

    comfortable = problem(COMFORT_SHARE)
    beside = could_be_set_aside(links.stations, falls_on_wires(prepared.found.utilities))
    if beside:
        for key in beside:
            graph.nodes[key]["forbidden"] = True
        without = problem(COMFORT_SHARE)
        if serves_as_many(without, comfortable):
            comfortable = without
        else:
            for key in beside:
                graph.nodes[key]["forbidden"] = False
    if not who_does_not_fit(comfortable):
        return comfortable, COMFORT_SHARE
    full = problem(1.0)
    out = who_does_not_fit(full)
    for key in out:
        graph.nodes[key]["left_out"] = True
    return (problem(1.0) if out else full), 1.0
