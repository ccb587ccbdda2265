"""The plan as data files: plan.json (all of it), plan.geojson (RFC 7946), links.csv and the other tables."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from meshplan.records import Device, Link, MapShape, Plan, Route, Unserved
from meshplan.records.codec import json_text, plan_to_json, rounded
from meshplan.records.figures import figures_of
from meshplan.records.utility import MapWire
from meshplan.reporting.files import csv_text, write_text_atomically

LON_LAT_DECIMALS = 7
"""About one centimetre."""

Table = tuple[tuple[str, ...], list[tuple[object, ...]]]


def write_plan_json(plan: Plan, path: Path, document: dict[str, Any] | None = None) -> Path:
    """Write the whole plan, or its `plan_to_json`; `meshplan.inputs.plan_file.read_plan_json` reads it back."""
    return write_text_atomically(path, json_text(plan_to_json(plan) if document is None else document))


def write_plan_geojson(plan: Plan, path: Path) -> Path:
    """Write outlines, links, routes and devices as one GeoJSON feature collection (RFC 7946)."""
    return write_text_atomically(path, json_text(plan_geojson(plan), indent=None))


def write_links_csv(plan: Plan, path: Path) -> Path:
    """Write one row a link, the links of the plan first."""
    return write_text_atomically(path, csv_text(*links_table(plan)))


def write_csv_tables(plan: Plan, folder: Path) -> tuple[Path, ...]:
    """Write every table of the plan into a folder, one CSV file each."""
    return tuple(write_text_atomically(folder / f"{name}.csv", csv_text(*table)) for name, table in csv_tables(plan).items())


def csv_tables(plan: Plan) -> dict[str, Table]:
    """Return every table of the plan by name: header and rows."""
    return {
        "links": links_table(plan),
        "budgets": budgets_table(plan),
        "devices": devices_table(plan),
        "routes": routes_table(plan),
        "unserved": unserved_table(plan),
        "single_routes": unserved_table(plan, plan.single_routes),
        "parts": parts_table(plan),
        "running_costs": running_costs_table(plan),
        "legal": legal_table(plan),
        "loses_service": loses_service_table(plan),
        "airtime": airtime_table(plan),
        "channels": channels_table(plan),
        "commands": commands_table(plan),
        **({"wires_nearby": wires_nearby_table(plan)} if plan.wires else {}),
    }


def links_table(plan: Plan) -> Table:
    """Return header and rows of links.csv; each season has its own columns."""
    seasons = tuple(season.name for season in plan.seasons)
    per_season = (
        "path_loss_db",
        "received_at_a_dbm",
        "received_at_b_dbm",
        "margin_at_a_db",
        "margin_at_b_db",
        "spread_db",
        "chance",
    )
    header = (
        *("link", "a", "b", "in_plan", "verdict", "chance", "margin_db", "required_margin_db", "worst_season"),
        *("first_failing_month", "distance_m", "bearing_deg", "frequency_mhz", "antenna_a_agl_m", "antenna_b_agl_m"),
        *("sensitivity_a_dbm", "sensitivity_b_dbm", "fade_margin_db"),
        *("clearance", "clearance_m", "clearance_at_m", "first_fresnel_share", "obstacle"),
        *(f"{season}_{field}" for season in seasons for field in per_season),
        "sentence",
        *(figure.name for figure in figures_of(Link)),
    )
    rows = [
        (
            *(link.key, link.a, link.b, link.chosen, link.verdict, _n(link.chance, "chance"), _n(link.margin_db, "_db")),
            *(_n(link.required_margin_db, "_db"), link.worst_season, link.first_failing_month, _n(link.distance_m, "_m")),
            *(_n(link.bearing_deg, "_deg"), _n(link.frequency_mhz, "_mhz")),
            *(_n(link.antenna_a_agl_m, "_m"), _n(link.antenna_b_agl_m, "_m")),
            *(_n(link.sensitivity_a_dbm, "_dbm"), _n(link.sensitivity_b_dbm, "_dbm"), _n(link.fade_margin_db, "_db")),
            *(link.clearance.kind, _n(link.clearance.clearance_m, "_m"), _n(link.clearance.at_m, "_m")),
            *(_n(link.clearance.first_fresnel_share, "first_fresnel_share"), link.clearance.obstacle),
            *(cell for season in seasons for cell in _season_cells(link, season)),
            link.sentence,
            *_figures(link).values(),
        )
        for link in plan.links
    ]
    return header, rows


def _season_cells(link: Link, season: str) -> tuple[object, ...]:
    result = next((one for one in link.seasons if one.season == season), None)
    if result is None:
        return (None,) * 7
    levels = (result.path_loss_db, result.received_at_a_dbm, result.received_at_b_dbm, result.margin_at_a_db, result.margin_at_b_db)
    return (*(_n(level, "_db") for level in (*levels, result.spread.total_db)), _n(result.chance, "chance"))


def budgets_table(plan: Plan) -> Table:
    """Return every line of every budget of the plan's own links, to be added up in a spreadsheet."""
    rows: list[tuple[object, ...]] = []
    for link in plan.chosen_links:
        for result in link.seasons:
            for sender, receiver, gains, received, sensitivity in (
                (link.a, link.b, link.gains_a_to_b, result.received_at_b_dbm, link.sensitivity_b_dbm),
                (link.b, link.a, link.gains_b_to_a, result.received_at_a_dbm, link.sensitivity_a_dbm),
            ):
                head = (link.key, result.season, sender, receiver)
                rows += [(*head, item.name, _n(item.signed_db, "_db"), item.source) for item in (*gains, *result.losses)]
                rows.append((*head, "received power, dBm", _n(received, "_dbm"), "sum of the lines above"))
                rows.append((*head, "least power the receiver needs, dBm", _n(sensitivity, "_dbm"), "radio class"))
    return ("link", "season", "from", "to", "line", "db", "source"), rows


def devices_table(plan: Plan) -> Table:
    """Return one row a device."""
    header = (
        *("device", "role", "in_plan", "served", "purpose", "importance", "lon_deg", "lat_deg", "x_m", "y_m"),
        *("ground_amsl_m", "antenna_agl_m", "height_assumed", "radio", "antenna", "azimuth_deg", "cable", "cable_m"),
        *("power", "indoors", "interval_s", "payload_bytes", "cost", "duty_share", "duty_limit", "fast_duty_share"),
        *("mean_tries", "fast_mean_tries", "acknowledgement_share"),
        *("supply", "battery", "life_years", "panel_w", "storage_wh", "cells_in_series", "cells_in_parallel", "regulator"),
        *("capacitor_mf", "supply_words", "reason", "note"),
        *(figure.name for figure in figures_of(Device)),
    )
    return header, [_device_row(device) for device in plan.devices]


def _device_row(device: Device) -> tuple[object, ...]:
    duty, energy = device.duty, device.energy
    return (
        *(device.name, device.role.value, device.in_plan, device.served, device.purpose.value, device.importance),
        *(_n(device.lon_deg, "lon_deg"), _n(device.lat_deg, "lat_deg"), _n(device.x_m, "_m"), _n(device.y_m, "_m")),
        *(_n(device.ground_amsl_m, "_m"), _n(device.antenna_agl_m, "_m"), device.height_assumed, device.radio),
        *(device.antenna, _n(device.azimuth_deg, "_deg"), device.cable, _n(device.cable_m, "_m")),
        *(device.power.value, device.indoors, device.interval_s, device.payload_bytes, _n(device.cost, "cost")),
        *((_n(duty.duty_share, ""), _n(duty.duty_limit, ""), _n(duty.fast_duty_share, "")) if duty else (None,) * 3),
        *((_n(duty.mean_tries, ""), _n(duty.fast_mean_tries, ""), _n(duty.acknowledgement_share, "")) if duty else (None,) * 3),
        *((energy.supply, energy.battery) if energy else (None, None)),
        *((_n(energy.life_years, ""), _n(energy.panel_w, ""), _n(energy.storage_wh, "")) if energy else (None,) * 3),
        *((energy.cells_in_series or None, energy.cells_in_parallel or None, energy.regulator) if energy else (None,) * 3),
        *((_n(energy.capacitor_mf, ""), energy.supply_words) if energy else (None, None)),
        *(device.reason, device.note),
        *_figures(device).values(),
    )


def _figures(record: Link | Route | Device) -> dict[str, object]:
    """Return the fields of a record that are figures for users, by name."""
    found = ((figure.name, getattr(record, figure.name)) for figure in figures_of(type(record)))
    return {name: _n(value, name) if isinstance(value, float) else value for name, value in found}


def routes_table(plan: Plan) -> Table:
    """Return one row a hop of each route, the second route after the first."""
    rows: list[tuple[object, ...]] = []
    for route in plan.routes:
        for which, devices, links in (
            ("first", route.devices, route.links),
            ("second", route.second_devices, route.second_links),
        ):
            rows += [
                (route.sensor, which, hop + 1, devices[hop], devices[hop + 1], link, _n(plan.link(link).chance, "chance"))
                for hop, link in enumerate(links)
            ]
    return ("sensor", "route", "hop", "from", "to", "link", "chance"), rows


def unserved_table(plan: Plan, gaps: Sequence[Unserved] | None = None) -> Table:
    """Return one row a remedy of each sensor without a route, or of other `gaps`; a sensor without remedy has one row too."""
    rows: list[tuple[object, ...]] = []
    for gap in plan.unserved if gaps is None else gaps:
        head = (gap.sensor, gap.nearest, _n(gap.missing_db, "_db"), gap.reason)
        rows += [
            (
                *head,
                remedy.change,
                remedy.device,
                _n(remedy.gain_db, "_db"),
                _n(remedy.chance_after, "chance"),
                remedy.suffices,
                " ".join(remedy.cautions),
            )
            for remedy in gap.remedies
        ] or [(*head, None, None, None, None, None, None)]
    return ("sensor", "nearest", "missing_db", "reason", "change", "at", "gain_db", "chance_after", "suffices", "take_care"), rows


def parts_table(plan: Plan) -> Table:
    """Return the shopping list with the cost of each line and the devices it is for."""
    rows: list[tuple[object, ...]] = [
        (
            *(line.part, line.quantity, line.spares, line.quantity + line.spares, line.unit, _n(line.unit_cost, "cost")),
            *(_n(line_cost(line.quantity + line.spares, line.unit_cost), "cost"), plan.currency, "; ".join(line.devices)),
        )
        for line in plan.parts
    ]
    return ("part", "needed", "spares", "buy", "unit", "unit_cost", "cost", "currency", "for"), rows


def line_cost(quantity: float, unit_cost: float | None) -> float | None:
    """Return what one line costs, None where no price is known."""
    return None if unit_cost is None else quantity * unit_cost


def running_costs_table(plan: Plan) -> Table:
    """Return header and rows of running_costs.csv."""
    rows: list[tuple[object, ...]] = [
        (cost.device, cost.what, cost.cost_per_year, plan.currency, cost.origin) for cost in plan.running_costs
    ]
    return ("device", "what", "cost_per_year", "currency", "origin"), rows


def legal_table(plan: Plan) -> Table:
    """Return what the radio rules say."""
    rows: list[tuple[object, ...]] = [
        (
            line.subject,
            line.lawful,
            line.rule,
            line.detail,
            line.remedy,
            line.source,
            line.standing,
            line.as_of,
            line.verdict,
            line.condition,
            " ".join(line.to_answer_for),
        )
        for line in plan.legal
    ]
    return (
        "subject",
        "lawful",
        "rule",
        "detail",
        "remedy",
        "source",
        "standing",
        "as_of",
        "verdict",
        "condition",
        "to_answer_for",
    ), rows


def airtime_table(plan: Plan) -> Table:
    """Return the budget of airtime: one row a hop of each first route."""
    header = (
        *("sensor", "hop", "from", "to", "preamble_ms", "header_ms", "payload_ms", "check_ms", "airtime_ms", "acknowledgement_ms"),
        *("mean_tries", "fast_mean_tries", "clear_chance", "delivered_chance"),
    )
    rows: list[tuple[object, ...]] = [
        (
            *(route.sensor, number + 1, hop.sender, hop.receiver, _n(hop.preamble_ms, ""), _n(hop.header_ms, "")),
            *(_n(hop.payload_ms, ""), _n(hop.check_ms, ""), _n(hop.airtime_ms, ""), _n(hop.acknowledgement_ms, "")),
            *(_n(hop.mean_tries, ""), _n(hop.fast_mean_tries, ""), _n(hop.clear_chance, "chance")),
            _n(hop.delivered_chance, "chance"),
        )
        for route in plan.routes
        for number, hop in enumerate(route.hops)
    ]
    return header, rows


def channels_table(plan: Plan) -> Table:
    """Return one row a channel."""
    rows: list[tuple[object, ...]] = [
        (one.channel, one.senders, _n(one.load, ""), _n(one.fast_load, ""), _n(one.overloaded_load, ""), one.stable, one.sentence)
        for one in plan.channels
    ]
    return ("channel", "senders", "load", "fast_load", "overloaded_load", "stable", "sentence"), rows


def commands_table(plan: Plan) -> Table:
    """Return one row for each device that must act on command as it is planned, and one for each other way it could listen."""
    rows: list[tuple[object, ...]] = []
    for one in plan.commands:
        planned = (one.device, "as planned", one.listening, one.downlink_bytes, _n(one.most_wait_s, ""), _n(one.wait_s, ""))
        rows.append((*planned, one.fit, None, None, None, one.sentence))
        for option in one.options:
            head = (one.device, option.change, option.listening, one.downlink_bytes, _n(one.most_wait_s, ""))
            cost = (_n(option.life_years, ""), _n(option.panel_w, ""), _n(option.extra_cost, "cost"))
            rows.append((*head, _n(option.wait_s, ""), option.fit, *cost, option.sentence))
    header = ("device", "way", "listening", "downlink_bytes", "most_wait_s", "wait_s", "fit", "life_years", "panel_w")
    return (*header, "extra_cost", "sentence"), rows


def loses_service_table(plan: Plan) -> Table:
    """Return one row for each sensor that loses service when a device fails."""
    rows: list[tuple[object, ...]] = [(device, name) for device, names in plan.loses_service.items() for name in names]
    return ("if_this_fails", "this_loses_service"), rows


def plan_geojson(plan: Plan) -> dict[str, Any]:
    """Return the plan as an RFC 7946 feature collection: outlines, links, routes, devices."""
    places = {device.name: _position(device.lon_deg, device.lat_deg) for device in plan.devices}
    features = [
        *(_shape_feature(number, shape) for number, shape in enumerate(plan.shapes)),
        *(_wire_feature(number, wire) for number, wire in enumerate(plan.wires)),
        *(_link_feature(link, places) for link in plan.links),
        *(_route_feature(route, places) for route in plan.routes),
        *(_device_feature(device, places) for device in plan.devices),
    ]
    collection: dict[str, Any] = {"type": "FeatureCollection"}
    corners = _bounds(features)
    if corners is not None:
        collection["bbox"] = corners
    return {**collection, "features": features}


def _shape_feature(number: int, shape: MapShape) -> dict[str, Any]:
    rings = [closed_ring(ring, clockwise=index > 0) for index, ring in enumerate(shape.rings)]
    properties = {"layer": "shape", "kind": shape.kind, "name": shape.name, "height_m": _n(shape.height_m, "_m")}
    return _feature(f"shape:{number}", {"type": "Polygon", "coordinates": rings}, properties)


def _wire_feature(number: int, wire: MapWire) -> dict[str, Any]:
    places = [[_position(*place) for place in path] for path in wire.paths]
    poles = all(len(path) == 1 for path in places)
    geometry = (
        {"type": "MultiPoint", "coordinates": [path[0] for path in places]}
        if poles
        else {"type": "MultiLineString", "coordinates": [path for path in places if len(path) > 1]}
    )
    return _feature(f"wire:{number}", geometry, {"layer": "wire", **wire_properties(wire)})


def wire_properties(wire: MapWire) -> dict[str, Any]:
    """Return what is said of a wire or pipe beside its place."""
    return {"name": wire.name, "words": wire.words, "hazard": wire.hazard, "voltage_v": _n(wire.voltage_v, "_v")}


def wires_nearby_table(plan: Plan) -> Table:
    """Return one row for each wire that is too near to a device."""
    header = ("device", "wire", "hazard", "distance_m", "wanted_m", "could_fall", "sentence")
    return header, [
        (near.device, near.wire, near.hazard, _n(near.distance_m, "_m"), _n(near.wanted_m, "_m"), near.could_fall, near.sentence)
        for near in plan.wires_nearby
    ]


def _link_feature(link: Link, places: dict[str, list[float]]) -> dict[str, Any]:
    line = {"type": "LineString", "coordinates": [places[link.a], places[link.b]]}
    return _feature(f"link:{link.key}", line, {"layer": "link", **link_properties(link)})


def link_properties(link: Link) -> dict[str, Any]:
    """Return the fields of a link that fit in one flat row."""
    return {
        "link": link.key,
        "a": link.a,
        "b": link.b,
        "in_plan": link.chosen,
        "verdict": link.verdict,
        "chance": _n(link.chance, "chance"),
        "margin_db": _n(link.margin_db, "_db"),
        "worst_season": link.worst_season,
        "distance_m": _n(link.distance_m, "_m"),
        "bearing_deg": _n(link.bearing_deg, "_deg"),
        "antenna_a_agl_m": _n(link.antenna_a_agl_m, "_m"),
        "antenna_b_agl_m": _n(link.antenna_b_agl_m, "_m"),
        "clearance": link.clearance.kind,
        "sentence": link.sentence,
        **_figures(link),
    }


def _route_feature(route: Route, places: dict[str, list[float]]) -> dict[str, Any]:
    line = {"type": "LineString", "coordinates": [places[name] for name in route.devices]}
    return _feature(f"route:{route.sensor}", line, {"layer": "route", **route_properties(route)})


def route_properties(route: Route) -> dict[str, Any]:
    """Return the fields of a route in one flat row; names are joined by an arrow."""
    return {
        "sensor": route.sensor,
        "gateway": route.devices[-1],
        "hops": len(route.links),
        "by_way_of": " → ".join(route.devices),
        "second_way": " → ".join(route.second_devices),
        "chance": _n(route.chance, "chance"),
        **_figures(route),
    }


def _device_feature(device: Device, places: dict[str, list[float]]) -> dict[str, Any]:
    point = {"type": "Point", "coordinates": places[device.name]}
    return _feature(f"device:{device.name}", point, {"layer": "device", **device_properties(device)})


def device_properties(device: Device) -> dict[str, Any]:
    """Return the fields of a device that fit in one flat row."""
    return {
        "device": device.name,
        "role": device.role.value,
        "in_plan": device.in_plan,
        "served": device.served,
        "purpose": device.purpose.value,
        "ground_amsl_m": _n(device.ground_amsl_m, "_m"),
        "antenna_agl_m": _n(device.antenna_agl_m, "_m"),
        "height_assumed": device.height_assumed,
        "power": device.power.value,
        "antenna": device.antenna,
        "azimuth_deg": _n(device.azimuth_deg, "_deg"),
        "cable": device.cable,
        "cable_m": _n(device.cable_m, "_m"),
        "cost": _n(device.cost, "cost"),
        "reason": device.reason,
        "note": device.note,
        **_figures(device),
    }


def closed_ring(ring: Sequence[tuple[float, float]], *, clockwise: bool) -> list[list[float]]:
    """Return a ring that ends where it starts and turns the way RFC 7946 §3.1.6 asks: outer left, holes right."""
    points = [[round(lon_deg, LON_LAT_DECIMALS) + 0.0, round(lat_deg, LON_LAT_DECIMALS) + 0.0] for lon_deg, lat_deg in ring]
    if points and points[0] != points[-1]:
        points.append(points[0])
    base = points[0][1] if points else 0.0
    doubled_area = 0.0
    for (x0, y0), (x1, y1) in itertools.pairwise(points):
        doubled_area += (x1 - x0) * (y1 + y0 - 2 * base)
    return points if (doubled_area > 0) == clockwise else points[::-1]


def _feature(key: str, geometry: dict[str, Any], properties: dict[str, Any]) -> dict[str, Any]:
    return {"type": "Feature", "id": key, "geometry": geometry, "properties": properties}


def _position(lon_deg: float, lat_deg: float) -> list[float]:
    return [round(lon_deg, LON_LAT_DECIMALS) + 0.0, round(lat_deg, LON_LAT_DECIMALS) + 0.0]


def _bounds(features: Iterable[dict[str, Any]]) -> list[float] | None:
    points: list[list[float]] = []
    for feature in features:
        _collect_points(feature["geometry"]["coordinates"], points)
    if not points:
        return None
    longitudes, latitudes = [point[0] for point in points], [point[1] for point in points]
    return [min(longitudes), min(latitudes), max(longitudes), max(latitudes)]


def _collect_points(coordinates: Any, points: list[list[float]]) -> None:
    """Add all places of a geometry, however deep they lie, to `points`."""
    if not coordinates:
        return
    first = coordinates[0]
    if isinstance(first, float):
        points.append(coordinates)
    elif first and isinstance(first[0], float):
        points.extend(coordinates)
    else:
        for part in coordinates:
            _collect_points(part, points)


def _n(value: float | None, name: str) -> float | None:
    """Return a number as plan.json would hold it under a field name of that ending; NaN and infinity become None."""
    if value is None or not math.isfinite(value):
        return None
    return rounded(value, name)
