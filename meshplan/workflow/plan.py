"""The whole flow of a plan, top to bottom: folder, links, choice of devices, record, files."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from meshplan.assembly.airtime_room import fits_airtime
from meshplan.assembly.alternatives import Alternatives, look_at_alternatives
from meshplan.assembly.learned import corrected_table
from meshplan.assembly.plan import Findings, assemble_plan
from meshplan.assembly.traffic import airtime_budget
from meshplan.errors import InputError, MissingFileError
from meshplan.inputs.calibration_file import read_calibration
from meshplan.inputs.cautions import read_caution_rules
from meshplan.inputs.file_hashes import hash_inputs
from meshplan.inputs.user_files import is_there
from meshplan.links.engine import LinkTable, compute_links
from meshplan.links.graph import build_graph
from meshplan.links.mixture import join_tables
from meshplan.links.pairs import candidate_pairs
from meshplan.links.uncertainty import ErrorFields, draw_error_fields
from meshplan.measurement_records import Calibration
from meshplan.planning.from_graph import problem_from_graph
from meshplan.planning.problem import PlacementProblem, PlacementResult, SolveLimits
from meshplan.planning.solve import solve_placement
from meshplan.records import MadeWith, Plan
from meshplan.reporting.exports import write_geopackage, write_gpx, write_kml
from meshplan.reporting.files import all_or_nothing
from meshplan.reporting.map import MapLandscape, MeasuredPoint, map_landscape, write_map
from meshplan.reporting.plan_files import write_csv_tables, write_links_csv, write_plan_geojson, write_plan_json
from meshplan.reporting.report import write_report
from meshplan.workflow.prepare import Prepared, power_at, prepare_property, refuse_unlawful
from meshplan.workflow.progress import OnProgress, silent

CALIBRATION_FILE = "calibration.toml"
"""Name in the property folder."""


@dataclass(frozen=True, eq=False)
class Planned:
    """A plan with what it was made from."""

    plan: Plan
    prepared: Prepared
    links: LinkTable
    problem: PlacementProblem
    result: PlacementResult


def plan_property(
    folder: Path,
    *,
    radio: str | None = None,
    overrides: dict[str, Any] | None = None,
    limits: SolveLimits | None = None,
    calibrated: bool = False,
    on_progress: OnProgress | None = None,
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
    on_progress : callable, optional
        Told of every stage.
    """
    tell = on_progress or silent
    tell("Reading the property", 0, 0)
    prepared = prepare_property(folder, radio=radio, overrides=overrides)
    refuse_unlawful(prepared)
    tell("Computing links", 0, 0)
    error_fields = draw_error_fields(prepared.landscape)
    links = compute_all_links(
        prepared, error_fields=error_fields, on_progress=lambda done, total: tell("Computing links", done, total)
    )
    if calibrated:
        links, notes = learned_links(links, stored_calibration(prepared))
    else:
        notes = unused_calibration(prepared)
    return plan_with_links(prepared, links, limits=limits, notes=notes, calibrated=calibrated, on_progress=tell)


def plan_with_links(
    prepared: Prepared,
    links: LinkTable,
    *,
    limits: SolveLimits | None = None,
    notes: tuple[str, ...] = (),
    calibrated: bool = False,
    on_progress: OnProgress | None = None,
) -> Planned:
    """Return the plan over links that are already computed; `notes` are said among the assumptions.

    `calibrated` says that the links were corrected by the calibration kept in the property folder.
    """
    tell = on_progress or silent
    tell("Choosing gateways and relays", 0, 0)
    problem = placement_problem(prepared, links)
    result = solve_placement(problem, limits=limits)
    tell("Looking at alternatives", 0, 0)
    alternatives = look_at_alternatives(problem, result, links, prepared.found.settings.cost.currency, limits=limits)
    tell("Writing up the plan", 0, 0)
    plan = write_up(prepared, links, problem, result, alternatives, notes=notes, calibrated=calibrated)
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
) -> Plan:
    """Return the plan record of a choice of devices; nothing is searched for."""
    found = prepared.found
    return assemble_plan(
        Findings(
            found=found,
            context=prepared.context,
            radio=prepared.radio,
            seasons=prepared.seasons,
            antennas=prepared.base.antennas,
            catalogue=prepared.base.catalogue,
            caution_rules=read_caution_rules(),
            assumptions=(*prepared.assumptions, *notes),
            links=links,
            problem=problem,
            result=result,
            alternatives=alternatives,
            contexts={part.radio.frequency_mhz: part.context for part in prepared.parts},
            more_radios=tuple(part.radio for part in prepared.parts[1:]),
            cables=prepared.base.cables,
            power_for=power_at(prepared.base),
            made_with=MadeWith(prepared.asked_radio, prepared.base.overrides, calibrated),
            inputs=hash_inputs(found.folder, found.settings, more=(CALIBRATION_FILE,) if calibrated else ()),
        )
    )


def learned_links(links: LinkTable, calibration: Calibration) -> tuple[LinkTable, tuple[str, ...]]:
    """Return links corrected by readings, and the sentence that says so."""
    told = f"Calibrated with {calibration.readings} readings" + (f" of {calibration.created}" if calibration.created else "")
    return corrected_table(links, calibration)[0], (f"{told} ({', '.join(calibration.files)}).",)


def stored_calibration(prepared: Prepared) -> Calibration:
    """Return the calibration kept in the property folder.

    Raises
    ------
    MissingFileError
        If there is none.
    """
    path = prepared.found.folder / CALIBRATION_FILE
    if not is_there(path):
        fix = "Run `meshplan calibrate FOLDER READINGS` first."
        raise MissingFileError("there is no calibration yet", where=str(path), fix=fix)
    return read_calibration(path, shown=CALIBRATION_FILE, crs=prepared.landscape.grid.crs)


def unused_calibration(prepared: Prepared) -> tuple[str, ...]:
    """Return the sentence that tells of a calibration that is there and was not asked for."""
    if is_there(prepared.found.folder / CALIBRATION_FILE):
        return (f"{CALIBRATION_FILE} is in the property folder and was not used; the option --calibrated uses it.",)
    return ()


def solve_limits(seconds: float | None = None) -> SolveLimits:
    """Return how long to look for a better plan; without seconds the result never depends on the machine's load."""
    return SolveLimits(time_s=seconds)


def write_plan(planned: Planned, folder: Path, *, on_progress: OnProgress | None = None) -> tuple[Path, ...]:
    """Write map, report, plan.json, plan.geojson, links.csv, tables and exports, all or none of them; return their paths."""
    tell = on_progress or silent
    tell("Writing map and tables", 0, 0)
    with all_or_nothing(folder) as scratch:
        files = [
            write_map(planned.plan, map_land(planned), scratch / "map.html"),
            write_plan_json(planned.plan, scratch / "plan.json"),
            write_plan_geojson(planned.plan, scratch / "plan.geojson"),
            write_links_csv(planned.plan, scratch / "links.csv"),
            write_report(planned.plan, scratch / "report.html"),
            *write_csv_tables(planned.plan, scratch / "tables"),
            write_geopackage(planned.plan, scratch / "exports" / "plan.gpkg"),
            write_gpx(planned.plan, scratch / "exports" / "sites.gpx"),
            write_kml(planned.plan, scratch / "exports" / "plan.kml"),
        ]
        names = [path.relative_to(scratch) for path in files]
    return tuple(folder / name for name in names)


def map_land(planned: Planned, *, measured: Sequence[MeasuredPoint] = ()) -> MapLandscape:
    """Return the land under a plan for its map, with the places where somebody measured."""
    first, *others = planned.prepared.parts or (planned.prepared,)
    more = [(part.stations, part.path) for part in others]
    return map_landscape(planned.plan, first.landscape, first.stations, first.seasons, first.path, measured=measured, more=more)


def compute_all_links(
    prepared: Prepared,
    *,
    error_fields: ErrorFields | None = None,
    prune: bool = True,
    on_progress: Callable[[int, int], None] | None = None,
) -> LinkTable:
    """Return every link worth computing; with error fields, elevation errors are carried.

    Without `prune` pairs are kept that this radio cannot bridge but a stronger one might.
    """
    parts = prepared.parts or (prepared,)
    tables = [_links_of(part, error_fields, prune, on_progress) for part in parts]
    if all(table is None for table in tables):
        fix = "Add gateway and relay candidates that carry the radio class of the sensors."
        raise InputError("no two places of the property may speak to each other", fix=fix)
    if prepared.parts:
        return join_tables([(part.stations, table) for part, table in zip(parts, tables, strict=True)])
    assert tables[0] is not None
    return tables[0]


def _links_of(
    prepared: Prepared, error_fields: ErrorFields | None, prune: bool, on_progress: Callable[[int, int], None] | None
) -> LinkTable | None:
    """Return the links of one class; None if no pair of its stations may speak."""
    pairs = candidate_pairs(prepared.stations, prune=prune)
    if not len(pairs):
        pairs = candidate_pairs(prepared.stations, prune=False)
    if not len(pairs):
        return None
    return compute_links(
        prepared.stations,
        pairs,
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
    wish = prepared.found.settings.radio_settings
    budget = airtime_budget(links.stations, prepared.base.catalogue.region, wish.licence, wish.accepts)

    def problem(loads: Mapping[str, float]) -> PlacementProblem:
        for key, load in loads.items():
            graph.nodes[key]["load"] = load
        return problem_from_graph(
            graph,
            hop_limit=asked.hop_limit,
            redundancy=redundancy,
            min_link_chance=asked.link_chance,
            min_route_chance=asked.route_chance,
            budget=asked.budget if asked.budget is not None else float("inf"),
        )

    for key, capacity in budget.capacity.items():
        graph.nodes[key]["capacity"] = capacity
    limited = problem(budget.load)
    return limited if fits_airtime(limited) else problem(dict.fromkeys(budget.load, 0.0))
