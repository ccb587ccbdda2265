"""The whole flow of a plan, top to bottom: folder, links, choice of devices, record, files."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from meshplan.assembly.plan import Findings, assemble_plan
from meshplan.inputs.cautions import read_caution_rules
from meshplan.links.engine import LinkTable, compute_links
from meshplan.links.graph import build_graph
from meshplan.links.pairs import candidate_pairs
from meshplan.links.uncertainty import ErrorFields, draw_error_fields
from meshplan.planning.from_graph import problem_from_graph
from meshplan.planning.problem import PlacementProblem, PlacementResult, SolveLimits
from meshplan.planning.solve import solve_placement
from meshplan.records import Plan
from meshplan.reporting.exports import write_geopackage, write_gpx, write_kml
from meshplan.reporting.files import all_or_nothing
from meshplan.reporting.map import MapLandscape, map_landscape, write_map
from meshplan.reporting.plan_files import write_csv_tables, write_links_csv, write_plan_geojson, write_plan_json
from meshplan.reporting.report import write_report
from meshplan.workflow.prepare import Prepared, prepare, refuse_unlawful
from meshplan.workflow.progress import OnProgress, silent


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
    tell = on_progress or silent
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
            antennas=prepared.base.antennas,
            catalogue=prepared.base.catalogue,
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


def solve_limits(seconds: float | None = None) -> SolveLimits:
    """Return how long to look for a better plan; without seconds the result never depends on the machine's load."""
    return SolveLimits(time_s=seconds)


def write_plan(planned: Planned, folder: Path, *, on_progress: OnProgress | None = None) -> tuple[Path, ...]:
    """Write map, report, plan.json, plan.geojson, links.csv, tables and exports, all or none of them; return their paths."""
    tell = on_progress or silent
    tell("Writing map and tables", 0, 0)
    with all_or_nothing(folder) as scratch:
        files = [
            write_map(planned.plan, _map_landscape(planned), scratch / "map.html"),
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


def _map_landscape(planned: Planned) -> MapLandscape:
    prepared = planned.prepared
    return map_landscape(planned.plan, prepared.landscape, prepared.stations, prepared.seasons, prepared.path)


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
    return compute_links(
        prepared.stations,
        candidate_pairs(prepared.stations, prune=prune),
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
