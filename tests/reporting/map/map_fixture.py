"""A small invented property with a plan made by hand: nine devices, eight links, two seasons, one sensor without a route."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from pyproj import Transformer

from meshplan.assembly.page_records import CoverageLayer, MapLandscape, MeasuredPoint, PageClutter, PageCover, PageEnd, PageEngine
from meshplan.grid import Grid
from meshplan.records import (
    BudgetItem,
    Clearance,
    Device,
    DutyRecord,
    EnergyRecord,
    GatewayOption,
    GridRecord,
    LegalLine,
    Link,
    MapShape,
    PartLine,
    Plan,
    Power,
    ProfileRecord,
    Proof,
    Purpose,
    RadioRecord,
    Remedy,
    Role,
    Route,
    SeasonRecord,
    SeasonResult,
    Spread,
    Unserved,
)
from meshplan.reporting.map import PageNewPlace

GRID = Grid("EPSG:32710", west_m=480_000.0, north_m=4_684_000.0, cell_m=5.0, columns=240, rows=200)
KINDS = ("open ground", "wood_deciduous", "building", "water")
LIMITS = {"ample": 0.97, "good": 0.9, "thin": 0.6, "failing": 0.0}
SEASONS = (SeasonRecord("bare", 1, in_leaf=False), SeasonRecord("leaf", 7, in_leaf=True))
RADIUS_KM = 6371.0 * 4 / 3

_TO_DEGREES = Transformer.from_crs(GRID.crs, "EPSG:4326", always_xy=True)

HOSTILE_NAMES = (
    "{{7*7}} pump",
    "{% x",
    "</script><script>window.stolen=1</script>",
    "<img src=x onerror=window.stolen=1>",
    "Wässerer “Ä”\u2028& <b>'\"",
    "{# note",
)


def lon_lat(x_m: float, y_m: float) -> tuple[float, float]:
    """Return a place of the grid in degrees."""
    lon_deg, lat_deg = _TO_DEGREES.transform(x_m, y_m)
    return float(lon_deg), float(lat_deg)


def make_ground() -> np.ndarray:
    """Return a valley with a ridge; one corner is unknown."""
    columns, rows = np.meshgrid(np.arange(GRID.columns), np.arange(GRID.rows))
    x_m, y_m = GRID.x_y(columns, rows)
    x, y = x_m - GRID.west_m, y_m - GRID.south_m
    ridge = 38 * np.exp(-(((y - 640) / 90) ** 2)) * (1 - 0.5 * np.exp(-(((x - 900) / 120) ** 2)))
    ground = 90 + 0.015 * np.abs(y - 250) + ridge + 3 * np.sin(x / 140) * np.cos(y / 110)
    ground[:6, :9] = np.nan
    return ground.astype(np.float32)


GROUND = make_ground()
WOOD = (300.0, 430.0, 620.0, 500.0)
SHED = (180.0, 200.0, 230.0, 240.0)
WATER = (0.0, 240.0, 1200.0, 256.0)


def make_cover() -> tuple[np.ndarray, np.ndarray]:
    """Return kinds and heights of what stands on the land."""
    columns, rows = np.meshgrid(np.arange(GRID.columns), np.arange(GRID.rows))
    x_m, y_m = GRID.x_y(columns, rows)
    x, y = x_m - GRID.west_m, y_m - GRID.south_m
    index = np.zeros(GRID.shape, dtype=np.uint8)
    height = np.zeros(GRID.shape, dtype=np.float32)
    for kind, high, (left, low, right, top) in ((3, 0.0, WATER), (1, 12.0, WOOD), (2, 7.0, SHED)):
        inside = (x >= left) & (x <= right) & (y >= low) & (y <= top)
        index[inside], height[inside] = kind, high
    return index, height


COVER_INDEX, COVER_HEIGHT = make_cover()

_PLACES = {
    # name: (role, x, y, antenna height, in plan, served)
    "House roof": (Role.GATEWAY, 240, 190, 8.0, True, True),
    "Ridge post": (Role.RELAY, 520, 640, 4.0, True, True),
    "Yard weather": (Role.SENSOR, 330, 160, 2.5, True, True),
    "Stream level": (Role.SENSOR, 700, 260, 1.0, True, True),
    "Wood edge": (Role.SENSOR, 460, 540, 0.5, True, True),
    "North trough": (Role.SENSOR, 610, 850, 0.8, True, True),
    "Far meadow": (Role.SENSOR, 1090, 880, 0.4, False, False),
    "Saddle post": (Role.RELAY, 900, 640, 3.0, False, True),
    "Barn loft": (Role.GATEWAY, 150, 380, 5.0, False, True),
}


def ground_at(x_m: float, y_m: float) -> float:
    """Return the ground at the nearest cell, known by construction."""
    column, row = GRID.column_row(x_m, y_m)
    return float(GROUND[round(float(row)), round(float(column))])


def make_device(name: str, place: tuple[Role, float, float, float, bool, bool]) -> Device:
    role, x, y, antenna_agl_m, in_plan, served = place
    x_m, y_m = GRID.west_m + x, GRID.south_m + y
    lon_deg, lat_deg = lon_lat(x_m, y_m)
    sensor = role is Role.SENSOR
    return Device(
        name=name,
        role=role,
        lon_deg=lon_deg,
        lat_deg=lat_deg,
        x_m=x_m,
        y_m=y_m,
        ground_amsl_m=ground_at(x_m, y_m),
        antenna_agl_m=antenna_agl_m,
        in_plan=in_plan,
        served=served and sensor,
        purpose=Purpose.ALARM if name == "Stream level" else Purpose.TREND,
        importance=1.0,
        power=Power.BATTERY if sensor else Power.MAINS if role is Role.GATEWAY else Power.PANEL,
        antenna="quarter-wave wire" if sensor else "sleeve dipole",
        cable="" if sensor else "2.7 mm coax",
        cable_m=0.0 if sensor else 3.0,
        azimuth_deg=None,
        indoors=None,
        cost=25.0 if sensor else 160.0,
        radio="868 MHz chirp spread spectrum, SF7",
        height_assumed=name == "North trough",
        interval_s=900.0,
        payload_bytes=12,
        reason="Without it North trough would be cut off." if name == "Ridge post" else "",
        duty=DutyRecord(61.7, 4.0, 0.00007, 0.01, 0.001, 0.001, True, "869.4 to 869.65 MHz, 10 %") if sensor else None,
        energy=EnergyRecord("battery", "two AA cells", 4.2, 0.0, 0.0, "sleep current", "a better regulator") if sensor else None,
        cautions=("Keep clear of power lines; stop work when thunder is near.",) if name == "Ridge post" else (),
    )


def make_profile(a: Device, b: Device) -> tuple[ProfileRecord, float]:
    """Return what a planner would have sampled: nearest cells are good enough for a picture."""
    distance_m = math.hypot(b.x_m - a.x_m, b.y_m - a.y_m)
    samples = max(5, math.ceil(distance_m / GRID.cell_m) + 1)
    share = np.linspace(0, 1, samples)
    column, row = GRID.column_row(a.x_m + (b.x_m - a.x_m) * share, a.y_m + (b.y_m - a.y_m) * share)
    column, row = np.rint(column).astype(int), np.rint(row).astype(int)
    record = ProfileRecord(
        step_m=distance_m / (samples - 1),
        ground_amsl_m=tuple(float(v) for v in GROUND[row, column]),
        cover_m=tuple(float(v) for v in COVER_HEIGHT[row, column]),
        cover_kind=tuple(int(v) for v in COVER_INDEX[row, column]),
        effective_earth_radius_km=RADIUS_KM,
    )
    return record, distance_m


_LINKS = (
    # a, b, verdict, terrain loss, wood loss in leaf, chance bare, chance leaf, obstacle, chosen
    ("Yard weather", "House roof", "ample", 4.0, 0.0, 0.999, 0.9985, "bare ground", True),
    ("Stream level", "House roof", "good", 14.0, 3.0, 0.96, 0.93, "bare ground", True),
    ("Ridge post", "House roof", "ample", 6.0, 4.0, 0.995, 0.98, "wood", True),
    ("Wood edge", "Ridge post", "thin", 22.0, 9.0, 0.91, 0.71, "wood", True),
    ("North trough", "Ridge post", "good", 17.0, 0.0, 0.935, 0.93, "ridge", True),
    ("Far meadow", "Saddle post", "failing", 41.0, 0.0, 0.22, 0.19, "ridge", False),
    ("Wood edge", "House roof", "not sure", 31.0, 16.0, 0.66, 0.42, "wood", False),
    ("Saddle post", "House roof", "thin", 25.0, 2.0, 0.82, 0.78, "ridge", False),
)


def make_link(devices: dict[str, Device], row: tuple) -> Link:
    a_name, b_name, verdict, terrain_db, wood_db, bare, leaf, obstacle, chosen = row
    a, b = devices[a_name], devices[b_name]
    profile, distance_m = make_profile(a, b)
    free_db = 32.45 + 20 * math.log10(868.0 * distance_m / 1000)
    there = (
        BudgetItem("Transmit power", 14.0, False, "radio class"),
        BudgetItem("Antenna at the sender", 1.0, False, "antenna class"),
        BudgetItem("Cable at the receiver", 0.8, True, "2.7 mm coax, 3 m"),
        BudgetItem("Antenna at the receiver", 2.0, False, "antenna class"),
    )
    gain_db = sum(item.signed_db for item in there)
    sensitivity_dbm = -123.0
    seasons = []
    for season, extra, chance in zip(SEASONS, (0.4 * wood_db, wood_db), (bare, leaf), strict=True):
        losses = (
            BudgetItem("Free space", free_db, True, "ITU-R P.525"),
            BudgetItem("Terrain and ground", terrain_db, True, "ITU-R P.526"),
            BudgetItem("Woods", extra, True, "ITU-R P.833"),
        )
        loss_db = sum(item.value_db for item in losses)
        received_dbm = gain_db - loss_db
        spread = Spread(6.0, 2.0, 1.5, 1.0, 2.0)
        margin_db = received_dbm - sensitivity_dbm
        seasons.append(SeasonResult(season.name, losses, loss_db, received_dbm, received_dbm, margin_db, margin_db, spread, chance))
    where_m = 0.55 * distance_m
    return Link(
        key=f"{a_name}--{b_name}",
        a=a_name,
        b=b_name,
        distance_m=distance_m,
        bearing_deg=math.degrees(math.atan2(b.x_m - a.x_m, b.y_m - a.y_m)) % 360,
        frequency_mhz=868.1,
        antenna_a_agl_m=a.antenna_agl_m,
        antenna_b_agl_m=b.antenna_agl_m,
        gains_a_to_b=there,
        gains_b_to_a=there,
        sensitivity_a_dbm=sensitivity_dbm,
        sensitivity_b_dbm=sensitivity_dbm,
        fade_margin_db=8.0,
        seasons=tuple(seasons),
        worst_season="leaf",
        first_failing_month="May" if verdict == "thin" else "",
        clearance=Clearance(
            "blocked", -0.4, -3.2, where_m, obstacle, f"The {obstacle} at {where_m:.0f} m stands 3.2 m above the line."
        ),
        chance=leaf,
        margin_db=seasons[1].margin_at_b_db,
        required_margin_db=17.0,
        verdict=verdict,
        sentence=f"From {a_name} to {b_name}: the {obstacle} is the main loss.",
        causes=(f"{obstacle}: {terrain_db:.0f} dB",),
        remedies=(Remedy("Raise the antenna at one end by 2 m", a_name, 6.0, 0.95, True),) if verdict == "thin" else (),
        profile=profile,
        chosen=chosen,
        radio="css-868-sf7",
    )


def _ring(box: tuple[float, float, float, float]) -> tuple[tuple[float, float], ...]:
    left, low, right, top = box
    corners = ((left, low), (right, low), (right, top), (left, top), (left, low))
    return tuple(lon_lat(GRID.west_m + x, GRID.south_m + y) for x, y in corners)


def make_plan() -> Plan:
    """Return the plan of the invented property."""
    devices = {name: make_device(name, place) for name, place in _PLACES.items()}
    links = tuple(make_link(devices, row) for row in _LINKS)
    key = {(link.a, link.b): link.key for link in links}
    return Plan(
        property_name="Orrin Hollow",
        country="Europe-like",
        radio=RadioRecord("css-868-sf7", "868 MHz chirp spread spectrum, SF7", 868.1, 14.0, -123.0, 5469, 125.0, "chirp", ()),
        seasons=SEASONS,
        grid=GridRecord(
            GRID.crs, 5.0, 240, 200, GRID.west_m, GRID.north_m, 0.5, "Grid of 5 m cells from one raster.", ("ground.tif",)
        ),
        devices=tuple(devices.values()),
        links=links,
        routes=(
            Route("Yard weather", ("Yard weather", "House roof"), (key["Yard weather", "House roof"],), 0.9985),
            Route("Stream level", ("Stream level", "House roof"), (key["Stream level", "House roof"],), 0.93),
            Route(
                "Wood edge",
                ("Wood edge", "Ridge post", "House roof"),
                (key["Wood edge", "Ridge post"], key["Ridge post", "House roof"]),
                0.696,
                second_devices=("Wood edge", "House roof"),
                second_links=(key["Wood edge", "House roof"],),
            ),
            Route(
                "North trough",
                ("North trough", "Ridge post", "House roof"),
                (key["North trough", "Ridge post"], key["Ridge post", "House roof"]),
                0.911,
            ),
        ),
        unserved=(
            Unserved(
                "Far meadow",
                "Saddle post",
                14.0,
                "The ridge at 240 m stands 11 m above the line.",
                (Remedy("Raise Saddle post to 9 m", "Saddle post", 15.0, 0.91, True),),
            ),
        ),
        proof=Proof(345.0, 345.0, 0.0, True, "No cheaper set of gateways and relays serves these four sensors.", 345.0),
        gateway_options=(
            GatewayOption(("House roof",), 4, 345.0, 0.71, "Serves four sensors with one relay.", True),
            GatewayOption(("Barn loft",), 3, 345.0, 0.52, "Serves three sensors with one relay.", False),
        ),
        loses_service={
            "House roof": ("Yard weather", "Stream level", "Wood edge", "North trough"),
            "Ridge post": ("Wood edge", "North trough"),
        },
        legal=(LegalLine("Power 16 dBm ERP", True, "863–870 MHz", "25 mW and 1 % duty.", "", "annex", "read", "2024"),),
        parts=(PartLine("sleeve dipole", 2, "pieces", 1, 9.5, ("House roof", "Ridge post")),),
        shapes=(
            MapShape("boundary", "Orrin Hollow", 0.0, (_ring((40, 40, 1160, 940)),)),
            MapShape("water", "stream", 0.0, (_ring(WATER),)),
            MapShape("wood_deciduous", "hanging wood", 12.0, (_ring(WOOD),)),
            MapShape("building", "shed", 7.0, (_ring(SHED),)),
        ),
        cover_kinds=KINDS,
        required_chance=0.8,
        verdict_limits=LIMITS,
        currency="EUR",
        assumptions=("North trough: no antenna height was given; 1 m was assumed.",),
        unknowns=("How tall the wood is: 12 m was taken from the file.",),
        cautions=("Masts: have a licensed person check the footing and the lightning protection.",),
        version="0.1.0",
    )


def rename(plan: Plan, names: dict[str, str]) -> Plan:
    """Return the plan with devices called otherwise, everywhere."""

    def new(name: str) -> str:
        return names.get(name, name)

    return replace(
        plan,
        property_name=names.get("property", plan.property_name),
        devices=tuple(replace(device, name=new(device.name), note=f"Note on {new(device.name)}") for device in plan.devices),
        links=tuple(
            replace(
                link,
                key=f"{new(link.a)}--{new(link.b)}",
                a=new(link.a),
                b=new(link.b),
                sentence=f"{new(link.a)} reaches {new(link.b)}",
                causes=(new(link.a),),
                clearance=replace(link.clearance, obstacle=new(link.b), sentence=f"{new(link.b)} stands in the way"),
                seasons=tuple(
                    replace(result, losses=tuple(replace(item, source=new(link.a)) for item in result.losses))
                    for result in link.seasons
                ),
            )
            for link in plan.links
        ),
        routes=tuple(
            replace(
                route,
                sensor=new(route.sensor),
                devices=tuple(map(new, route.devices)),
                links=tuple("--".join(new(part) for part in key.split("--")) for key in route.links),
                second_devices=tuple(map(new, route.second_devices)),
                second_links=tuple("--".join(new(part) for part in key.split("--")) for key in route.second_links),
            )
            for route in plan.routes
        ),
        unserved=tuple(
            replace(one, sensor=new(one.sensor), nearest=new(one.nearest), reason=f"Blocked by {new(one.nearest)}")
            for one in plan.unserved
        ),
        loses_service={new(name): tuple(map(new, sensors)) for name, sensors in plan.loses_service.items()},
        shapes=tuple(replace(shape, name=names.get("property", shape.name)) for shape in plan.shapes),
    )


def make_page_cover(kind: int) -> PageCover:
    """Return figures of the order of the real ones at 868 MHz."""
    wood = kind == 1
    return PageCover(
        kind=kind,
        words=("", "wood", "building", "water")[kind],
        solid=kind == 2,
        heights_m=(12.0, 12.0) if wood else (7.0, 7.0) if kind == 2 else (0.0, 0.0),
        tallest_m=12.0 if wood else 7.0 if kind == 2 else 0.0,
        wall_db=14.0 if kind == 2 else 0.0,
        wall_spread_db=8.0 if kind == 2 else 0.0,
        group=kind,
        form="woodland" if wood else "",
        db_per_m=0.16 if wood else 0.0,
        along_db_per_m=0.16 if wood else 0.0,
        most_db=25.0 if wood else 0.0,
        row_azimuth_deg=None,
        season_share=(0.83, 1.0) if wood else (0.0, 0.0),
        spread_share=0.0,
        least_spread_db=0.0,
    )


NEW_HEIGHT_M = {Role.SENSOR: 1.0, Role.RELAY: 3.0, Role.GATEWAY: 4.0}
NEW_COST = {Role.SENSOR: 23.0, Role.RELAY: 47.0, Role.GATEWAY: 131.0}
PANEL_COST, MAST_PER_M, FREE_MAST_M = 37.0, 9.0, 2.0


def make_new_place(ends: tuple[PageEnd, ...], role: Role, purpose: Purpose, power: Power) -> PageNewPlace:
    """Return a place that may be added, equipped as the first device that is a sensor, or none."""
    like = next(end for end in ends if end.is_sensor is (role is Role.SENSOR))
    end = replace(like, name="", site="", relaxed=purpose is Purpose.TREND, antenna_agl_m=NEW_HEIGHT_M[role])
    cost = NEW_COST[role] + (PANEL_COST if power is Power.PANEL else 0.0)
    mast = 0.0 if role is Role.SENSOR else MAST_PER_M
    return PageNewPlace(role.value, purpose.value, power.value, end, cost, mast, FREE_MAST_M)


def make_engine(plan: Plan) -> PageEngine:
    """Return the constants of the page's engine for the invented property."""
    ends = tuple(
        PageEnd(
            name=device.name,
            site=device.name,
            is_sensor=device.role is Role.SENSOR,
            relaxed=device.purpose is Purpose.TREND,
            tx_power_dbm=14.0,
            sensitivity_dbm=-123.0,
            gain_dbi=0.0 if device.role is Role.SENSOR else 2.0,
            pattern="ball" if device.role is Role.SENSOR else "round",
            horizontal_beamwidth_deg=None,
            azimuth_deg=None,
            tilt_deg=0.0,
            local_loss_db=0.5 if device.role is Role.SENSOR else 1.8,
            entry_loss_db=0.0,
            entry_spread_db=0.0,
            around=None,
            polarisation_deg=0.0,
            antenna_spread_db=2.0,
            inside=0,
            antenna_agl_m=device.antenna_agl_m,
            can_speak=True,
            can_hear=True,
        )
        for device in plan.devices
    )
    kinds = [(Role.SENSOR, purpose, Power.BATTERY) for purpose in Purpose]
    kinds += [(role, Purpose.TREND, power) for role in (Role.RELAY, Role.GATEWAY) for power in (Power.PANEL, Power.MAINS)]
    return PageEngine(
        new_places=tuple(make_new_place(ends, *kind) for kind in kinds),
        radio=plan.radio.key,
        frequency_mhz=868.1,
        effective_earth_radius_km=RADIUS_KM,
        relative_permittivity=15.0,
        conductivity_s_per_m=0.005,
        vertical=True,
        cover_number=COVER_INDEX.astype(np.uint16),
        canopy_m=None,
        covers=tuple(make_page_cover(kind) for kind in (1, 2, 3)),
        ends=ends,
        season_antenna_loss_db=(0.0, 0.0),
        season_leaf_share=(0.0, 1.0),
        clutter=PageClutter(3000.0, 20.0, 0.3, 60.0, 5.0),
        unmapped=None,
        near_an_antenna_m=50.0,
        furthest_aside_m=100.0,
        clear_below_m=1.0,
        shadowed_from_db=6.0,
        given_back=0.7,
        fully_blocked_nu=0.3,
        over_crowns_spread_db=3.0,
        most_plant_spread_db=8.0,
        clear_spread_db=6.0,
        obstructed_spread_db=8.0,
        obstructed_from_db=1.0,
        soil_spread_db=1.5,
        elevation_spread_db=2.0,
        relaxed_fade_db=8.2,
        strict_fade_db=11.3,
        sure_no_chance=0.05,
    )


def make_landscape(plan: Plan | None = None) -> MapLandscape:
    """Return the land under the plan, with one coverage layer, one measured point and the engine's constants."""
    columns, rows = np.meshgrid(np.arange(GRID.columns), np.arange(GRID.rows))
    away = np.hypot(columns - 48, rows - 162)
    classes = np.digitize(away, [60, 90, 130]).astype(np.uint8)
    device = make_device("Stream level", _PLACES["Stream level"])
    return MapLandscape(
        grid=GRID,
        ground_amsl_m=GROUND,
        coverage=(CoverageLayer("House roof", classes, ("ample", "good", "thin", "failing"), "For a sensor 1 m up."),),
        measured=(MeasuredPoint("Walk 1", device.lon_deg, device.lat_deg, -101.0, -98.0, "dry day"),),
        engine=make_engine(plan or make_plan()),
    )
