"""The plan as one block of data for the page: fields of the plan, verdicts looked up in its own limits, land packed small."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, fields
from typing import Final

import numpy as np
from numpy.typing import NDArray
from pyproj import Transformer

from meshplan.assembly.page_records import CoverageLayer, MapLandscape, PageEngine, PageErrors
from meshplan.errors import MeshplanError
from meshplan.explain.obstacles import clearance_label
from meshplan.explain.verdict import SURE_NO_CHANCE
from meshplan.grid import Grid
from meshplan.records import VERDICT_WORDS, VERDICTS, BudgetItem, Device, Link, Plan, Route, SeasonResult
from meshplan.records.figures import figures_of
from meshplan.reporting.map.contours import contour_lines
from meshplan.reporting.map.pack import (
    deflate_base64,
    mean_reduce,
    pack_indices,
    pack_raster,
    pack_series,
    pack_within,
    pick_reduce,
)
from meshplan.reporting.map.palette import VERDICT_STYLES, class_colour, cover_colour, seen_colour
from meshplan.reporting.map.relief import HATCHED_CLASS
from meshplan.reporting.words import not_bought_words
from meshplan.terrain.profile import FINEST_STEP_M

MOST_CELLS: Final = 2_200_000
MOST_TERRAIN_BYTES: Final = 900_000
COARSEST_STEP_M: Final = 0.25
MOST_REDUCTION: Final = 6
"""Bounds of the terrain model in the page; finer land is averaged in blocks until it fits, and the page names the cell."""
HEIGHT_STEP_M: Final = 0.05
"""Step of the heights in link profiles."""
POSITION_ERROR_CELLS: Final = 0.05
UNKNOWN_STEP: Final = -1_000_000
ERROR_STEPS: Final = 1000
"""Steps in which the page has standard deviations of heights."""
SHARE_STEPS: Final = 1024
"""Shares of cells that thin covers take, in whole steps."""


def page_data(plan: Plan, landscape: MapLandscape) -> dict[str, object]:
    """Return everything the page shows, ready for JSON."""
    engine = landscape.engine
    items = _ItemTable()
    routes = {route.sensor: route for route in plan.routes}
    links = [_link_record(plan, link, items) for link in plan.links]
    devices = []
    for device in plan.devices:
        record = asdict(device)
        route = routes.get(device.name)
        record["verdict"] = _route_verdict(plan, route.links) if route else ""
        devices.append(record)
    profiled = [link for link in plan.links if link.profile is not None]
    return {
        "property_name": plan.property_name,
        "country": plan.country,
        "version": plan.version,
        "radio": asdict(plan.radio),
        "radios": [asdict(radio) for radio in (plan.radio, *plan.more_radios)],
        "seasons": [asdict(season) for season in plan.seasons],
        "grid": asdict(plan.grid),
        "verdicts": [
            {
                "name": name,
                "words": VERDICT_WORDS[name],
                "limit": plan.verdict_limits.get(name),
                **asdict(VERDICT_STYLES[name]),
            }
            for name in VERDICTS
        ],
        "cover_kinds": [{"name": kind, "colour": cover_colour(kind)} for kind in plan.cover_kinds],
        "shapes": [{**vars(shape), "colour": cover_colour(shape.kind)} for shape in plan.shapes],
        "wires": [asdict(wire) for wire in plan.wires],
        "wires_note": plan.wires_note,
        "credits": list(plan.credits),
        "devices": devices,
        "links": links,
        "items": items.rows,
        "figures": {
            name: [{"name": figure.name, "words": figure.words} for figure in figures_of(kind) if figure.on_map]
            for name, kind in (("device", Device), ("link", Link), ("route", Route))
        },
        "routes": [asdict(route) for route in plan.routes],
        "unserved": [asdict(one) for one in plan.unserved],
        "single_routes": [asdict(one) for one in plan.single_routes],
        "proof": {
            "cost": plan.proof.cost,
            "lower_bound": plan.proof.lower_bound,
            "gap": plan.proof.gap,
            "optimal": plan.proof.optimal,
            "sentence": plan.proof.sentence,
        },
        "gateway_options": [asdict(option) for option in plan.gateway_options],
        "channels": [asdict(channel) for channel in plan.channels],
        "commands": [asdict(command) for command in plan.commands],
        "better_radio": plan.better_radio,
        "loses_service": {name: list(sensors) for name, sensors in sorted(plan.loses_service.items())},
        "legal": [asdict(line) for line in plan.legal],
        "parts": [asdict(line) for line in plan.parts],
        "not_bought": not_bought_words(plan),
        "required_chance": plan.required_chance,
        "calibrated": plan.made_with.calibrated,
        "currency": plan.currency,
        "not_mapped": plan.not_mapped,
        "assumptions": list(plan.assumptions),
        "unknowns": list(plan.unknowns),
        "cautions": list(plan.cautions),
        "measured": [asdict(point) for point in landscape.measured],
        "coverage": [_coverage_record(layer) for layer in landscape.coverage],
        "profiles": _profile_records(profiled),
        "contours": contour_lines(landscape.ground_amsl_m, landscape.grid).as_record(),
        "terrain": None if engine is None else terrain_record(landscape, engine),
        "engine": None if engine is None else engine_record(engine),
        "changes": [dict(row) for row in landscape.changes],
        "more_engines": [engine_record(one) for one in landscape.more_engines],
    }


def json_block(value: object) -> str:
    """Return JSON that may stand inside a script element: nothing in it can close the element or end a line."""
    text = json.dumps(_plain(value), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for character in "<>&\u2028\u2029":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return text


def verdict_of_chance(plan: Plan, chance: float) -> str:
    """Look a chance up in the plan's own limits."""
    if math.isnan(chance):
        return "not sure"
    limits = sorted(((limit, name) for name, limit in plan.verdict_limits.items() if name != "not sure"), reverse=True)
    return next((name for limit, name in limits if chance >= limit), "failing")


def position_polynomials(grid: Grid, factor: int) -> dict[str, object]:
    """Return polynomials from longitude and latitude to fractional column and row of the grid reduced by `factor`.

    Cubic in both, fitted over the whole grid, so that the page needs no projection. The largest residual is checked here.
    """
    columns, rows = np.meshgrid(np.linspace(-0.5, grid.columns - 0.5, 25), np.linspace(-0.5, grid.rows - 0.5, 25))
    x_m, y_m = grid.x_y(columns.ravel(), rows.ravel())
    lon_deg, lat_deg = Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True).transform(x_m, y_m)
    centre = float(lon_deg.mean()), float(lat_deg.mean())
    scale = float(np.ptp(lon_deg) / 2 or 1.0), float(np.ptp(lat_deg) / 2 or 1.0)
    u, v = (lon_deg - centre[0]) / scale[0], (lat_deg - centre[1]) / scale[1]
    powers = [(i, j) for i in range(4) for j in range(4 - i)]
    basis = np.column_stack([u**i * v**j for i, j in powers])
    wanted = np.column_stack([(columns.ravel() + 0.5) / factor - 0.5, (rows.ravel() + 0.5) / factor - 0.5])
    found, *_ = np.linalg.lstsq(basis, wanted, rcond=None)
    residual = float(np.abs(basis @ found - wanted).max())
    if residual > POSITION_ERROR_CELLS:
        raise MeshplanError(
            f"the land is too wide for the page's position formula (off by {residual:.2f} cells)",
            where=grid.crs,
            fix="Choose a projection made for this region, or plan a smaller property.",
        )
    # Rounded so that different linear algebra libraries give the same bytes.
    return {
        "centre": list(centre),
        "scale": list(scale),
        "powers": [list(pair) for pair in powers],
        "column": [round(float(c), 7) for c in found[:, 0]],
        "row": [round(float(c), 7) for c in found[:, 1]],
    }


def terrain_record(landscape: MapLandscape, engine: PageEngine) -> dict[str, object]:
    """Return ground and cover for the page's own profiles, averaged until they fit."""
    grid = landscape.grid
    factor = max(1, math.ceil(math.sqrt(grid.rows * grid.columns / MOST_CELLS)))
    ground = pack_within(mean_reduce(landscape.ground_amsl_m, factor), MOST_TERRAIN_BYTES)
    while ground.quantum > COARSEST_STEP_M and factor < MOST_REDUCTION:
        factor += 1
        ground = pack_within(mean_reduce(landscape.ground_amsl_m, factor), MOST_TERRAIN_BYTES)
    canopy, share = engine.canopy_m, engine.cover_share
    by, parts = _cover_reduction(engine.cover_number.shape, grid.columns, factor)
    return {
        "cell_m": grid.cell_m * factor,
        "averaged": factor,
        "full_cell_m": grid.cell_m,
        "ground": ground.as_record(),
        "cover_number": pack_indices(pick_reduce(engine.cover_number, by)).as_record(),
        **({} if parts == 1 else {"cover_parts": parts}),
        "sampled_as_m": _sampled_as_m(engine.sampled_as_m or grid.cell_m, grid.cell_m * factor),
        "cover_share": None if share is None else pack_indices(np.rint(pick_reduce(share, by) * SHARE_STEPS)).as_record(),
        "cover_share_steps": SHARE_STEPS,
        "canopy": None if canopy is None else pack_within(pick_reduce(canopy, factor), MOST_TERRAIN_BYTES // 2).as_record(),
        "position": position_polynomials(grid, factor),
        "errors": [errors_record(one) for one in engine.errors],
    }


def _cover_reduction(shape: tuple[int, ...], columns: int, factor: int) -> tuple[int, int]:
    """Return how many cells of the cover become one on the page, and how many such parts lie along a cell of the page's ground."""
    together = factor * (shape[1] // columns)
    by = next(
        by for by in range(1, together + 1) if together % by == 0 and (shape[0] * shape[1] / by**2 <= MOST_CELLS or by == together)
    )
    return (factor, 1) if together == factor else (by, together // by)


def errors_record(errors: PageErrors) -> dict[str, object]:
    """Return a field of height errors: waves as 32-bit numbers, spreads packed like heights."""
    pairs, waves = errors.phase.shape
    numbers = np.concatenate([errors.vector_per_m, errors.phase[:, :, None]], axis=2).astype("<f4")
    quantum = max(float(errors.spread_m.max()) / ERROR_STEPS, 1e-6)
    return {
        "hides": errors.hides,
        "pairs": pairs,
        "waves": waves,
        "numbers": deflate_base64(numbers.tobytes()),
        "every": errors.every,
        "spread": pack_raster(errors.spread_m, quantum).as_record(),
    }


def _sampled_as_m(raster_cell_m: float, page_cell_m: float) -> float:
    """Return the cell by which the page samples paths: that of the raster, on fine ones not below what the page holds."""
    return max(raster_cell_m, min(page_cell_m, FINEST_STEP_M))


def engine_record(engine: PageEngine) -> dict[str, object]:
    """Return the constants of the page's engine; its rasters go with the terrain."""
    rasters = ("cover_number", "canopy_m", "cover_share", "sampled_as_m", "errors")
    record = {item.name: getattr(engine, item.name) for item in fields(engine) if item.name not in rasters}
    record |= {"clutter": asdict(engine.clutter), "unmapped": None if engine.unmapped is None else asdict(engine.unmapped)}
    record |= {"new_places": [asdict(one) for one in engine.new_places]}
    return {**record, "covers": [asdict(one) for one in engine.covers], "ends": [asdict(one) for one in engine.ends]}


class _ItemTable:
    """Names and sources of budget lines, each text once: lines repeat in every link."""

    def __init__(self) -> None:
        self.rows: list[list[object]] = []
        self._index: dict[tuple[str, bool, str], int] = {}

    def lines(self, items: tuple[BudgetItem, ...]) -> list[list[float]]:
        """Return budget lines as (row of the table, value)."""
        found = []
        for item in items:
            key = (item.name, item.is_loss, item.source)
            if key not in self._index:
                self._index[key] = len(self.rows)
                self.rows.append([item.name, item.is_loss, item.source])
            found.append([self._index[key], item.value_db])
        return found


def _link_record(plan: Plan, link: Link, items: _ItemTable) -> dict[str, object]:
    record = {name: getattr(link, name) for name in (*_LINK_FIELDS, *(figure.name for figure in figures_of(Link)))}
    tight = link.clearance
    label = f"{tight.obstacle or 'ground'}: {clearance_label(tight.kind, tight.clearance_m)}"
    record["clearance"] = {**asdict(tight), "label": label if math.isfinite(tight.clearance_m) else ""}
    record["remedies"] = [asdict(remedy) for remedy in link.remedies]
    record["gains_a_to_b"] = items.lines(link.gains_a_to_b)
    record["gains_b_to_a"] = items.lines(link.gains_b_to_a)
    record["seasons"] = [_season_record(plan, link, result, items) for result in link.seasons]
    record["has_profile"] = link.profile is not None
    return record


_LINK_FIELDS: Final = (
    "key",
    "a",
    "b",
    "distance_m",
    "bearing_deg",
    "frequency_mhz",
    "antenna_a_agl_m",
    "antenna_b_agl_m",
    "sensitivity_a_dbm",
    "sensitivity_b_dbm",
    "fade_margin_db",
    "worst_season",
    "first_failing_month",
    "chance",
    "margin_db",
    "required_margin_db",
    "verdict",
    "sentence",
    "causes",
    "chosen",
    "notes",
    "radio",
)


def _season_record(plan: Plan, link: Link, result: SeasonResult, items: _ItemTable) -> dict[str, object]:
    record = asdict(result)
    record["losses"] = items.lines(result.losses)
    record["spread"]["total_db"] = result.spread.total_db
    elevation_db, total_db = result.spread.elevation_db, result.spread.total_db
    unsure = 2.0 * elevation_db**2 > total_db**2 and SURE_NO_CHANCE < result.chance < plan.verdict_limits.get("ample", 1.0)
    record["verdict"] = "not sure" if unsure else verdict_of_chance(plan, result.chance)
    if result.season == link.worst_season:
        record["verdict"] = link.verdict
    return record


def _route_verdict(plan: Plan, keys: tuple[str, ...]) -> str:
    """Return the verdict of the weakest link of a route."""
    links = {link.key: link for link in plan.links}
    hops = [links[key] for key in keys if key in links]
    return min(hops, key=lambda link: (math.isfinite(link.chance), link.chance)).verdict if hops else ""


def _coverage_record(layer: CoverageLayer) -> dict[str, object]:
    return {
        "name": layer.name,
        "note": layer.note,
        "classes": [
            {
                "name": name,
                "colour": class_colour(name, index),
                "seen": seen_colour(class_colour(name, index)),
                "hatched": name == HATCHED_CLASS,
            }
            for index, name in enumerate(layer.class_names)
            if bool((layer.classes == index).any())
        ],
    }


def _profile_records(links: list[Link]) -> dict[str, object]:
    """Return all link profiles as one packed block: for each link ground, cover height and kind of cover."""
    series: list[list[int]] = []
    rows = []
    for link in links:
        profile = link.profile
        assert profile is not None
        series += [_steps(profile.ground_amsl_m), _steps(profile.cover_m), [int(kind) for kind in profile.cover_kind]]
        rows.append([link.key, profile.step_m, profile.effective_earth_radius_km])
    return {"step_m": HEIGHT_STEP_M, "unknown": UNKNOWN_STEP, "rows": rows, "data": pack_series(series)}


def _steps(heights_m: tuple[float, ...]) -> list[int]:
    values: NDArray[np.float64] = np.asarray(heights_m, dtype=float)
    steps = np.where(np.isfinite(values), np.rint(np.nan_to_num(values) / HEIGHT_STEP_M), UNKNOWN_STEP)
    return [int(step) for step in steps]


def _plain(value: object) -> object:
    """Return a value as JSON knows it: numbers short, unknown as null, tuples as lists."""
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return _short(value)
    if isinstance(value, (list, tuple)):
        return [_plain(one) for one in value]
    if isinstance(value, dict):
        return {str(key): _plain(one) for key, one in value.items()}
    return value


def _short(value: float) -> float | None:
    if not math.isfinite(value):
        return None
    short = round(value, 8)
    return int(short) if short.is_integer() and abs(short) < 1e15 else short
