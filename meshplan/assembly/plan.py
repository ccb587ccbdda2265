"""The plan record: every stage's answer in one place, with what was assumed and what is not known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, is_dataclass

import numpy as np

from meshplan import __version__
from meshplan.assembly.alternatives import Alternatives, dark_by_device, reason_by_relay
from meshplan.assembly.commands import command_records
from meshplan.assembly.devices import make_devices
from meshplan.assembly.mixed import Contexts, describe_mixed
from meshplan.assembly.routes import LinkMargins, make_routes, rows_of_plan
from meshplan.assembly.running import Catalogue, run_plan
from meshplan.assembly.shapes import map_shapes
from meshplan.assembly.unserved import explain_unserved
from meshplan.inputs.antennas import AntennaClass, CableClass
from meshplan.inputs.property import Property
from meshplan.links.build_stations import PowerFor
from meshplan.links.describe import Context
from meshplan.links.engine import LinkTable
from meshplan.links.mixture import link_radios
from meshplan.links.verdict import verdict_limits
from meshplan.operation.cautions import plan_cautions
from meshplan.operation.parts import parts_list
from meshplan.planning.problem import PlacementProblem, PlacementResult
from meshplan.propagation.seasons import Season as SeasonState
from meshplan.radio_records import RadioMode
from meshplan.records import (
    CautionRule,
    GridRecord,
    Plan,
    Proof,
    RadioRecord,
    Role,
    Season,
)

KEPT_CHANCE = 0.05
"""Candidate links below this chance are not written down."""

MOST_CANDIDATE_LINKS = 300


@dataclass(frozen=True, eq=False)
class Findings:
    """All that was found out before the record is written."""

    found: Property
    context: Context
    radio: RadioMode
    seasons: tuple[SeasonState, ...]
    antennas: Mapping[str, AntennaClass]
    catalogue: Catalogue
    caution_rules: Sequence[CautionRule]
    assumptions: tuple[str, ...]
    links: LinkTable
    problem: PlacementProblem
    result: PlacementResult
    alternatives: Alternatives
    contexts: Contexts = field(default_factory=dict)
    """Where places carry different classes, the context of each by its frequency."""
    more_radios: tuple[RadioMode, ...] = ()
    """Classes beside `radio`."""
    cables: Mapping[str, CableClass] = field(default_factory=dict)
    better_radio: str = ""
    """Another class that would serve more, in words."""
    power_for: PowerFor | None = None
    """Power that law and radio allow at a site with another antenna or cable."""


def assemble_plan(findings: Findings) -> Plan:
    """Return the plan record of everything that was found out."""
    table, placement = findings.links, findings.result.plan
    settings = findings.found.settings
    rows = rows_of_plan(placement, table)
    margins = LinkMargins.of(table)
    running = run_plan(placement, table.stations, margins, findings.catalogue, settings, link_radios(table))
    routes = make_routes(placement, table, running, _floors(findings))
    unserved, near_rows = explain_unserved(
        placement,
        table,
        findings.context,
        findings.antennas,
        findings.contexts,
        cables=findings.cables,
        power_for=findings.power_for,
        floors=_floors(findings),
    )
    others = _other_rows(table, rows, near_rows, set(placement.opened))
    links = describe_mixed(table, [*rows, *others], findings.context, findings.contexts, chosen=frozenset(rows))
    devices = make_devices(
        table.stations,
        placement.opened,
        {name for link in links for name in (link.a, link.b)},
        [route.sensor for route in routes.routes],
        reason_by_relay(findings.problem, placement),
        running,
        findings.caution_rules,
        settings.cost,
    )
    return Plan(
        property_name=settings.name,
        country=findings.catalogue.region.title,
        radio=_radio(findings.radio),
        seasons=tuple(_season(season) for season in findings.seasons),
        grid=_grid(findings.found),
        devices=devices,
        links=links,
        routes=routes.routes,
        unserved=unserved,
        proof=_proof(findings.result),
        gateway_options=findings.alternatives.gateway_options,
        goes_dark=dark_by_device(findings.problem, placement),
        legal=running.legal,
        parts=parts_list(devices, settings.cost),
        shapes=map_shapes(findings.context.landscape, findings.found.boundary),
        cover_kinds=findings.context.cover_kinds,
        required_chance=settings.requirement.link_chance,
        verdict_limits=verdict_limits(settings.requirement.link_chance),
        currency=settings.cost.currency,
        assumptions=findings.assumptions,
        unknowns=_unknowns(findings),
        cautions=plan_cautions(findings.caution_rules),
        redundancy_prices=findings.alternatives.redundancy_prices,
        what_more_buys=findings.alternatives.what_more_buys,
        version=__version__,
        more_radios=tuple(_radio(mode) for mode in findings.more_radios),
        channels=running.channels,
        better_radio=findings.better_radio,
        commands=command_records(placement, table.stations, running, margins, findings.catalogue, settings),
    )


def _floors(findings: Findings) -> dict[str, float]:
    """Return the chance that a whole route of each sensor must have."""
    asked = findings.found.settings.requirement
    sensors = [station for station in findings.links.stations if station.site.role is Role.SENSOR]
    return {station.key: asked.route_floor(station.site.purpose.value) for station in sensors}


def _other_rows(table: LinkTable, rows: Sequence[int], near: Sequence[int], opened: set[str]) -> list[int]:
    """Links worth showing beside those of the plan: nearest misses, then the best links to devices of the plan."""
    taken = set(rows)
    first = [row for row in dict.fromkeys(near) if row not in taken]
    taken.update(first)
    chances = table.worst_chance
    keys = [station.key for station in table.stations]
    speaks = opened | {station.key for station in table.stations if station.site.role is Role.SENSOR}
    pool = [
        row
        for row, (i, j) in enumerate(table.pairs)
        if row not in taken and chances[row] >= KEPT_CHANCE and keys[j] in opened and keys[i] in speaks
    ]
    pool.sort(key=lambda row: (-float(chances[row]), row))
    return first + sorted(pool[:MOST_CANDIDATE_LINKS])


def _proof(result: PlacementResult) -> Proof:
    cost = result.plan.cost
    if result.proven and not result.plan.served:
        sentence = "Proven: with the offered sites, heights and routes, and within the limits set, no sensor can be served."
    elif result.proven:
        sentence = "Proven: no other choice of the offered sites, heights and routes serves these sensors for less."
    else:
        sentence = f"No plan can be more than {result.gap:.1%} cheaper: at least {result.solver_bound:.2f} must be spent."
    if result.stopped == "interrupted":
        sentence += " The search was stopped by hand."
    elif result.stopped == "time limit":
        sentence += " The search ended at its time limit; a longer one may find a cheaper plan."
    return Proof(
        cost=cost,
        lower_bound=result.solver_bound,
        gap=result.gap,
        optimal=result.proven,
        sentence=sentence,
        certified_bound=result.certified_bound,
        certificate=_as_record(result.certificate),
        limits={"time_s": result.limits.time_s, "iterations": result.limits.iterations, "seed": result.limits.seed},
        versions=dict(result.versions),
    )


def _as_record(certificate: object) -> dict[str, object]:
    return asdict(certificate) if is_dataclass(certificate) and not isinstance(certificate, type) else {}


def _radio(mode: RadioMode) -> RadioRecord:
    return RadioRecord(
        key=mode.name,
        title=mode.title,
        frequency_mhz=mode.frequency_mhz,
        tx_power_dbm=mode.tx_power_dbm,
        sensitivity_dbm=mode.sensitivity_dbm,
        bit_rate_bps=mode.bit_rate_bps,
        bandwidth_khz=mode.bandwidth_khz,
        modulation=mode.modulation.value,
        assumptions=mode.notes,
    )


def _season(season: SeasonState) -> Season:
    return Season(season.name, season.month, season.leaf_share >= 0.5, season.wet, season.snow)


def _grid(found: Property) -> GridRecord:
    grid = found.elevation.grid
    rasters = found.elevation.rasters
    shares = np.array([raster.share_of_grid for raster in rasters])
    errors = np.array([raster.error_m for raster in rasters])
    return GridRecord(
        crs=grid.crs,
        cell_m=grid.cell_m,
        columns=grid.columns,
        rows=grid.rows,
        west_m=grid.west_m,
        north_m=grid.north_m,
        elevation_error_m=float((shares * errors).sum() / shares.sum()),
        sentence=found.grid_sentence,
        rasters=tuple(raster.sentence for raster in rasters),
    )


def _unknowns(findings: Findings) -> tuple[str, ...]:
    said = list(findings.found.warnings)
    assumed = [site.name for site in findings.found.sites if site.height_assumed]
    if assumed:
        said.append(f"Antenna heights were assumed for {', '.join(assumed)}: measure them.")
    said.append("The plan is an estimate from maps: test the hardest links outdoors before buying masts.")
    return tuple(said)
