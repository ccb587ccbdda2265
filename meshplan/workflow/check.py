"""Is a property folder fit to plan?"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshplan.explain.unmapped_words import unmapped_cost, unmapped_line
from meshplan.inputs.height_sense import height_facts
from meshplan.inputs.osm_utilities import wire_rules
from meshplan.links.link_table import compute_links
from meshplan.links.pairs import candidate_pairs
from meshplan.operation.wires import WireMap, wires_note
from meshplan.records import Role
from meshplan.records.property import Property
from meshplan.records.station import Station
from meshplan.reporting.check_text import CheckReport
from meshplan.workflow.prepare import Prepared, prepare_property, refusal_of


def check_property(folder: Path, *, radio: str | None = None, overrides: dict[str, Any] | None = None) -> CheckReport:
    """Return what a property folder holds and what would be assumed; faults are raised."""
    prepared = prepare_property(folder, radio=radio, overrides=overrides)
    found, grid = prepared.found, prepared.landscape.grid
    sites = {role: sum(site.role is role and not site.same_as for site in found.sites) for role in Role}
    parts = prepared.parts or (prepared,)
    numbers = [f" {number}" for number in range(1, len(parts) + 1)] if len(parts) > 1 else [""]
    facts = (
        ("property", found.settings.name),
        ("sites", ", ".join(f"{count} {role.value}{'s' if count != 1 else ''}" for role, count in sites.items())),
        ("cover", f"{len(found.covers)} piece{'s' if len(found.covers) != 1 else ''}" if found.covers else "none"),
        ("boundary", "yes" if found.boundary is not None else "none"),
        ("heights", _heights(found)),
        ("grid", f"{grid.columns} × {grid.rows} cells of {grid.cell_m:g} m"),
        *((f"radio{number}", part.radio.title) for number, part in zip(numbers, parts, strict=True)),
        *((f"rules{number}", part.lawfulness.sentence) for number, part in zip(numbers, parts, strict=True)),
        ("seasons", ", ".join(season.name for season in prepared.seasons)),
        ("candidate links", f"{sum(len(candidate_pairs(part.stations)) for part in parts)} to compute"),
    )
    refusal = refusal_of(prepared)
    refused = () if refusal is None else (str(refusal),)
    bare_line = unmapped_line(prepared.landscape.mapped)
    return CheckReport(
        title=f"{folder}: {'fit to plan' if not refused else 'not fit to plan'}",
        good=not refused,
        facts=facts,
        assumptions=tuple(line for line in prepared.assumptions if line != bare_line),
        warnings=found.warnings,
        faults=refused,
        not_mapped=_not_mapped(parts) if bare_line else "",
        wires_note=_wires(prepared),
    )


def _wires(prepared: Prepared) -> str:
    """Return which places, at which height of their antenna, stand too near to a mapped wire."""
    utilities = prepared.found.utilities
    wires = WireMap(utilities, wire_rules())
    near = [
        one
        for station in prepared.stations
        for one in wires.nearby(station.key, station.site.x_m, station.site.y_m, station.antenna_agl_m, digs=False)
    ]
    return wires_note(near, len(utilities))


def _heights(found: Property) -> str:
    """Return range and slopes of the ground, so that a wrong unit is seen at a glance."""
    return height_facts(found.elevation.ground_amsl_m, found.elevation.grid.cell_m)


def _not_mapped(parts: Sequence[Prepared]) -> str:
    """Return the line about unmapped land with what it costs the weakest sensor on its way to the nearest gateway or relay."""
    costs: list[tuple[float, str]] = []
    for part in parts:
        pairs = _to_nearest(part.stations)
        if len(pairs):
            table = compute_links(part.stations, pairs, part.landscape, part.seasons, part.path)
            cost = unmapped_cost(table, range(len(pairs)), "the weakest link from a sensor to the nearest gateway or relay")
            costs.append((float(table.worst_chance.min()), cost))
    return unmapped_line(parts[0].landscape.mapped, min(costs)[1] if costs else "")


def _to_nearest(stations: Sequence[Station]) -> NDArray[np.intp]:
    """Return pairs of each sensor with the gateway or relay nearest to it, shape (n, 2)."""
    sensors = [i for i, station in enumerate(stations) if station.site.role is Role.SENSOR]
    others = [i for i, station in enumerate(stations) if station.site.role is not Role.SENSOR]
    if not sensors or not others:
        return np.empty((0, 2), dtype=np.intp)
    x, y = (np.array([getattr(station.site, name) for station in stations]) for name in ("x_m", "y_m"))
    nearest = [others[int(np.argmin(np.hypot(x[others] - x[i], y[others] - y[i])))] for i in sensors]
    return np.array(list(zip(sensors, nearest, strict=True)), dtype=np.intp)
