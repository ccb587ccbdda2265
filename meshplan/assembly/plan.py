"""The plan record: every stage's answer in one place, with what was assumed and what is not known."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from meshplan import __version__
from meshplan.assembly.alternatives import Alternatives, reason_by_relay
from meshplan.assembly.commands import command_records
from meshplan.assembly.devices import make_devices
from meshplan.assembly.missing_class import with_missing_class
from meshplan.assembly.mixed import Contexts, describe_mixed
from meshplan.assembly.proof import proof_record
from meshplan.assembly.routes import LinkMargins, make_routes, rows_of_plan
from meshplan.assembly.running import run_plan
from meshplan.assembly.shapes import map_shapes, map_wires
from meshplan.assembly.supplies import Catalogue
from meshplan.assembly.unserved import Remedying, WiresAt, explain_single_routes, explain_unserved
from meshplan.explain.describe import Context
from meshplan.explain.remedies import Workshop
from meshplan.explain.unmapped_words import unmapped_cost, unmapped_line
from meshplan.explain.verdict import verdict_limits
from meshplan.links.link_table import LinkTable
from meshplan.links.mixture import link_radios
from meshplan.operation.cautions import plan_cautions, stands_on_a_post
from meshplan.operation.parts import parts_list
from meshplan.operation.wires import NONE_READ, NOT_SAFE, WireMap, wires_note
from meshplan.planning.problem import PlacementPlan, PlacementProblem, PlacementResult
from meshplan.propagation.seasons import Season
from meshplan.records import (
    CautionRule,
    Device,
    GridRecord,
    InputFile,
    MadeWith,
    Plan,
    Power,
    RadioRecord,
    Role,
    SeasonRecord,
    Unserved,
    Use,
)
from meshplan.records.antenna import CableClass
from meshplan.records.backhaul import BackhaulClass
from meshplan.records.plan import CoverSource
from meshplan.records.property import Property
from meshplan.records.radio import RadioMode
from meshplan.records.utility import WireNearby, WireRules
from meshplan.terrain.cover_sources import cover_shares

KEPT_CHANCE = 0.05
"""Candidate links below this chance are not written down."""

MOST_CANDIDATE_LINKS = 300


@dataclass(frozen=True, eq=False)
class Findings:
    """All that was found out before the record is written."""

    found: Property
    context: Context
    radio: RadioMode
    seasons: tuple[Season, ...]
    workshop: Workshop
    catalogue: Catalogue
    caution_rules: Sequence[CautionRule]
    assumptions: tuple[str, ...]
    links: LinkTable
    problem: PlacementProblem
    result: PlacementResult
    alternatives: Alternatives
    loses_service: Mapping[str, tuple[str, ...]]
    """Sensors that lose service when each device fails."""
    contexts: Contexts = field(default_factory=dict)
    """Where places carry different classes, the context of each by its frequency."""
    more_radios: tuple[RadioMode, ...] = ()
    """Classes beside `radio`."""
    cables: Mapping[str, CableClass] = field(default_factory=dict)
    better_radio: str = ""
    """Another class that would serve more, in words."""
    made_with: MadeWith = field(default_factory=MadeWith)
    inputs: tuple[InputFile, ...] = ()
    ways_out: Mapping[str, BackhaulClass] = field(default_factory=dict)
    wire_rules: WireRules | None = None
    """Distances to overhead wires; None where nobody asks."""


def assemble_plan(findings: Findings) -> Plan:
    """Return the plan record of everything that was found out."""
    table, placement = findings.links, findings.result.plan
    settings = findings.found.settings
    rows = rows_of_plan(placement, table)
    margins, floors, land = LinkMargins.of(table), _floors(findings), findings.context.landscape
    running = run_plan(placement, table.stations, margins, findings.catalogue, settings, link_radios(table), land)
    remedying = Remedying(
        table,
        findings.problem,
        findings.context,
        findings.contexts,
        floors,
        findings.workshop,
        caution_rules=findings.caution_rules,
        wires_at=_wires_at(findings),
        cost=placement.cost,
        currency=settings.cost.currency,
        served=frozenset(item.sensor_id for item in placement.served),
    )
    unserved, near_rows = explain_unserved(findings.problem, placement, remedying)
    unserved = with_missing_class(unserved, table.stations)
    single_routes, more_near_rows = explain_single_routes(findings.problem, placement, remedying)
    routes = make_routes(placement, table, running, floors, _second_notes(findings.problem, placement, single_routes))
    others = _other_rows(table, rows, [*near_rows, *more_near_rows], set(placement.opened))
    links = describe_mixed(table, [*rows, *others], findings.context, findings.contexts, chosen=frozenset(rows))
    nearby = _nearby(findings)
    devices = make_devices(
        table.stations,
        placement.opened,
        {name for link in links for name in (link.a, link.b)},
        [route.sensor for route in routes.routes],
        reason_by_relay(findings.problem, placement, findings.loses_service),
        running,
        findings.caution_rules,
        settings.cost,
        findings.cables,
        nearby,
    )
    opened = set(placement.opened)
    costs = tuple(
        cost for station in {s.key: s for s in table.stations if s.key in opened}.values() for cost in station.running_costs
    )
    bare_line, line = _not_mapped(findings, rows, near_rows)
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
        proof=proof_record(findings.result),
        gateway_options=findings.alternatives.gateway_options,
        loses_service=dict(findings.loses_service),
        legal=running.legal,
        parts=parts_list(devices, settings.cost, findings.ways_out),
        shapes=map_shapes(findings.context.landscape, findings.found.boundary),
        cover_kinds=findings.context.cover_kinds,
        required_chance=settings.requirement.link_chance,
        verdict_limits=verdict_limits(settings.requirement.link_chance),
        currency=settings.cost.currency,
        assumptions=tuple(line for line in findings.assumptions if line != bare_line),
        unknowns=_unknowns(findings),
        cautions=(NOT_SAFE if findings.found.wires_read else NONE_READ, *plan_cautions(findings.caution_rules)),
        redundancy_prices=findings.alternatives.redundancy_prices,
        what_more_buys=findings.alternatives.what_more_buys,
        version=__version__,
        more_radios=tuple(_radio(mode) for mode in findings.more_radios),
        not_mapped=line,
        single_routes=single_routes,
        made_with=findings.made_with,
        inputs=findings.inputs,
        channels=running.channels,
        better_radio=findings.better_radio,
        commands=command_records(placement, table.stations, running, margins, findings.catalogue, settings, land),
        horizon_years=settings.cost.horizon_years,
        running_costs=costs,
        price=round(sum(device.cost for device in devices if device.in_plan and device.role is not Role.SENSOR), 2),
        running_cost_per_year=round(sum(cost.cost_per_year for cost in costs), 2),
        wires=map_wires(findings.found.utilities, findings.context.landscape.grid, findings.wire_rules),
        wires_nearby=tuple(near for device in devices for near in nearby(device)),
        wires_note=wires_note(
            [near for device in devices if device.in_plan for near in nearby(device)],
            len(findings.found.utilities),
            _set_aside(findings),
        ),
        credits=findings.found.credits,
        cover_sources=tuple(CoverSource(words, round(share, 4)) for words, share in cover_shares(land)),
    )


def _wire_map(findings: Findings) -> WireMap | None:
    rules, utilities = findings.wire_rules, findings.found.utilities
    return WireMap(utilities, rules) if utilities and rules is not None else None


def _wires_at(findings: Findings) -> WiresAt:
    """Return what tells the wires that are too near to a station whose antenna is raised."""
    wires = _wire_map(findings)
    sites = {station.key: station.site for station in findings.links.stations}

    def wires_at(key: str, raised_to_m: float) -> tuple[str, ...]:
        if wires is None or key not in sites:
            return ()
        return tuple(near.sentence for near in wires.nearby(key, sites[key].x_m, sites[key].y_m, raised_to_m))

    return wires_at


def _nearby(findings: Findings) -> Callable[[Device], tuple[WireNearby, ...]]:
    """Return what tells the wires that are too near to a device."""
    wires = _wire_map(findings)

    def nearby(device: Device) -> tuple[WireNearby, ...]:
        if wires is None:
            return ()
        digs = stands_on_a_post(device)
        return wires.nearby(device.name, device.x_m, device.y_m, device.antenna_agl_m, digs=digs)

    return nearby


def _set_aside(findings: Findings) -> list[WireNearby]:
    """Return the wires beside candidates that are left out of the choice because a mast could fall on them."""
    wires = _wire_map(findings)
    if wires is None:
        return []
    out = {node.id for node in findings.problem.nodes if node.forbidden}
    aside = [station for station in findings.links.stations if station.key in out and station.site.use is Use.FREE]
    return [
        near
        for station in aside
        for near in wires.nearby(station.key, station.site.x_m, station.site.y_m, station.antenna_agl_m, digs=False)
    ]


def _floors(findings: Findings) -> dict[str, float]:
    """Return the chance that a whole route of each sensor must have."""
    asked = findings.found.settings.requirement
    sensors = [station for station in findings.links.stations if station.site.role is Role.SENSOR]
    return {station.key: asked.route_floor(station.site.purpose.value) for station in sensors}


def _not_mapped(findings: Findings, rows: Sequence[int], near_rows: Sequence[int]) -> tuple[str, str]:
    """Return the line about unmapped land without and with what it costs; both empty where everything is mapped."""
    mapped = findings.context.landscape.mapped
    if mapped.everything:
        return "", ""
    of = "the weakest link looked at" if near_rows else "the weakest link of the plan"
    return unmapped_line(mapped), unmapped_line(mapped, unmapped_cost(findings.links, [*rows, *near_rows], of))


def _second_notes(problem: PlacementProblem, placement: PlacementPlan, single: Sequence[Unserved]) -> dict[str, str]:
    """Say, for each sensor that asks for a second route and has none, why."""
    if problem.redundancy == "none":
        return {}
    notes = {miss.sensor: f"none: {miss.reason}" for miss in single}
    asking = {sensor.id for sensor in problem.sensors if sensor.second_route}
    for served in placement.served:
        if served.second is None and served.sensor_id in asking:
            notes.setdefault(served.sensor_id, "none needed: no relay lies on its way")
    return notes


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


def _season(season: Season) -> SeasonRecord:
    return SeasonRecord(season.name, season.month, season.leaf_share >= 0.5, season.wet, season.snow)


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
    notes = list(findings.found.warnings)
    assumed = [site.name for site in findings.found.sites if site.height_assumed and not site.same_as]
    if assumed:
        notes.append(f"Antenna heights were assumed for {', '.join(assumed)}: measure them.")
    lasting = {station.site.name for station in findings.links.stations if station.lasts}
    weak = [
        site.name
        for site in findings.found.sites
        if site.name not in lasting
        and site.role is not Role.SENSOR
        and site.power is Power.BATTERY
        and site.use is not Use.FORBIDDEN
    ]
    if weak:
        has, it = ("has", "it is") if len(weak) == 1 else ("have", "they are")
        notes.append(f"{', '.join(weak)} {has} no lasting power (battery), so {it} not used: mains or a panel would change that.")
    idle = [site.name for site in findings.found.sites if site.role is Role.SENSOR and site.optional and not site.worth]
    if idle:
        notes.append(
            f"{', '.join(idle)}: optional and of no stated worth, so served only where it costs nothing; column 'worth' says it."
        )
    opened = set(findings.result.plan.opened)
    panels = [station for station in findings.links.stations if station.key in opened and station.site.power is Power.PANEL]
    if panels and findings.found.settings.supply.peak_sun_hours is None:
        notes.append("Panels: the horizon is that of this plan's land and cover; hills beyond it are not seen.")
    out = [sensor.id for sensor in findings.problem.sensors if sensor.left_out]
    if out:
        notes.append(
            f"For lack of airtime {len(out)} sensor{'s are' if len(out) > 1 else ' is'} left out ({', '.join(out)}): the least "
            "important, chosen by a short search; that no others could be left out instead is not proven."
        )
    once = [sensor.id for sensor in findings.problem.sensors if sensor.one_route]
    if once:
        notes.append(
            f"For lack of airtime {len(once)} sensor{'s are' if len(once) > 1 else ' is'} planned without the second route that "
            f"was asked for ({', '.join(once)}): when a device fails, the others cannot carry everybody; that no other choice of "
            "devices could is not proven."
        )
    notes.append("The plan is an estimate from maps: test the hardest links outdoors before buying masts.")
    return tuple(notes)
