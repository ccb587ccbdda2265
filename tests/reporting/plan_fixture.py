"""An invented plan for the tests of everything that shows a plan. The figures are made to add up, not to be right.

"Tansy Hollow": one gateway, one relay, four sensors (one is unserved), a relay candidate that was not used, two seasons.
"""

from __future__ import annotations

import math
from dataclasses import replace

from pyproj import Geod, Transformer

from meshplan.records import (
    BudgetItem,
    ChannelRecord,
    Clearance,
    CommandOption,
    CommandRecord,
    Device,
    DutyRecord,
    EnergyRecord,
    GatewayOption,
    GridRecord,
    HopRecord,
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

CRS = "EPSG:32710"
EAST_M, NORTH_M = 480_000.0, 4_683_000.0
FREQUENCY_MHZ = 868.3
SENSITIVITY_DBM = -122.0
FADE_MARGIN_DB = 10.3
SPREAD = {"bare": Spread(6.0, 1.5, 0.5, 0.5, 2.0), "leaf": Spread(6.0, 1.5, 3.0, 0.5, 2.0)}
LIMITS = {"ample": 0.99, "good": 0.9, "thin": 0.6, "failing": 0.0}

_TO_LON_LAT = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
_GEOD = Geod(ellps="WGS84")


def lon_lat(x_m: float, y_m: float) -> tuple[float, float]:
    """Return a place of the invented property as longitude and latitude."""
    lon_deg, lat_deg = _TO_LON_LAT.transform(EAST_M + x_m, NORTH_M + y_m)
    return round(float(lon_deg), 7), round(float(lat_deg), 7)


def ground_amsl_m(x_m: float, y_m: float) -> float:
    """Return the height of the invented land: a slope with one ridge across it at y = 420 m."""
    return round(95.0 + 0.012 * abs(y_m - 200.0) + 24.0 * math.exp(-(((y_m - 420.0) / 60.0) ** 2)), 3)


def cover_at(x_m: float, y_m: float) -> tuple[float, int]:
    """Return height and kind of what stands there: one wood, north-east."""
    return (8.5, 1) if 240.0 <= x_m <= 330.0 and 120.0 <= y_m <= 260.0 else (0.0, 0)


def make_device(name: str, role: Role, x_m: float, y_m: float, antenna_agl_m: float, **changes: object) -> Device:
    """Return a device with plain values for all that is not given."""
    lon_deg, lat_deg = lon_lat(x_m, y_m)
    plain = Device(
        name=name,
        role=role,
        lon_deg=lon_deg,
        lat_deg=lat_deg,
        x_m=EAST_M + x_m,
        y_m=NORTH_M + y_m,
        ground_amsl_m=ground_amsl_m(x_m, y_m),
        antenna_agl_m=antenna_agl_m,
        in_plan=True,
        served=role is Role.SENSOR,
        purpose=Purpose.TREND,
        importance=1.0,
        power=Power.BATTERY if role is Role.SENSOR else Power.PANEL,
        antenna="quarter-wave-wire" if role is Role.SENSOR else "sleeve-dipole",
        cable="mini-coax-2.7mm",
        cable_m=0.0 if role is Role.SENSOR else 3.0,
        azimuth_deg=None,
        indoors=None,
        cost={Role.SENSOR: 25.0, Role.RELAY: 85.0, Role.GATEWAY: 192.0}[role],
        radio="css-868-sf7",
        height_assumed=False,
        interval_s=900.0,
        payload_bytes=12,
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def make_link(a: Device, b: Device, terrain_db: float, leaf_db: float, *, chosen: bool, with_profile: bool = True) -> Link:
    """Return a link whose budget adds up, with the given losses over the free-space loss."""
    bearing, _, distance_m = _GEOD.inv(a.lon_deg, a.lat_deg, b.lon_deg, b.lat_deg)
    free_db = round(20 * math.log10(distance_m / 1000) + 20 * math.log10(FREQUENCY_MHZ) + 32.448, 3)
    gains = {"quarter-wave-wire": 0.0, "sleeve-dipole": 2.0}
    both_ways = [
        (
            BudgetItem(f"transmit power of {tx.name}", 14.0, False, "radio class, design figure"),
            BudgetItem(f"antenna of {tx.name}", gains[tx.antenna], False, "antenna class"),
            BudgetItem(f"cable of {tx.name}", round(0.88 * tx.cable_m, 3), True, "cable class, 0.88 dB a metre"),
            BudgetItem(f"antenna of {rx.name}", gains[rx.antenna], False, "antenna class"),
            BudgetItem(f"cable of {rx.name}", round(0.88 * rx.cable_m, 3), True, "cable class, 0.88 dB a metre"),
        )
        for tx, rx in ((a, b), (b, a))
    ]
    seasons = []
    for name in ("bare", "leaf"):
        losses = [
            BudgetItem("free space", free_db, True, "ITU-R P.525-4"),
            BudgetItem("terrain", terrain_db, True, "ITU-R P.526-16"),
        ]
        if leaf_db:
            share = 0.4 if name == "bare" else 1.0
            losses.append(BudgetItem("leaves and branches", round(share * leaf_db, 3), True, "ITU-R P.833-10"))
        path_db = round(sum(item.value_db for item in losses), 3)
        at_b = round(sum(item.signed_db for item in both_ways[0]) - path_db, 3)
        at_a = round(sum(item.signed_db for item in both_ways[1]) - path_db, 3)
        spread = SPREAD[name]
        score = (min(at_a, at_b) - SENSITIVITY_DBM - FADE_MARGIN_DB) / spread.total_db
        seasons.append(
            SeasonResult(
                season=name,
                losses=tuple(losses),
                path_loss_db=path_db,
                received_at_b_dbm=at_b,
                received_at_a_dbm=at_a,
                margin_at_b_db=round(at_b - SENSITIVITY_DBM, 3),
                margin_at_a_db=round(at_a - SENSITIVITY_DBM, 3),
                spread=spread,
                chance=round(0.5 * math.erfc(-score / math.sqrt(2)), 6),
            )
        )
    worst = min(seasons, key=lambda result: result.chance)
    verdict = next(word for word, least in LIMITS.items() if worst.chance >= least)
    profile = make_profile(a, b, distance_m) if with_profile else None
    return Link(
        key=f"{a.name}--{b.name}",
        a=a.name,
        b=b.name,
        distance_m=round(distance_m, 3),
        bearing_deg=round(bearing % 360, 2),
        frequency_mhz=FREQUENCY_MHZ,
        antenna_a_agl_m=a.antenna_agl_m,
        antenna_b_agl_m=b.antenna_agl_m,
        gains_a_to_b=both_ways[0],
        gains_b_to_a=both_ways[1],
        sensitivity_a_dbm=SENSITIVITY_DBM,
        sensitivity_b_dbm=SENSITIVITY_DBM,
        fade_margin_db=FADE_MARGIN_DB,
        seasons=tuple(seasons),
        worst_season=worst.season,
        first_failing_month="" if verdict in ("ample", "good") else "May",
        clearance=make_clearance(a, b, profile),
        chance=worst.chance,
        margin_db=min(worst.margin_at_a_db, worst.margin_at_b_db),
        required_margin_db=17.6,
        verdict=verdict,
        sentence=f"{a.name} reaches {b.name} with {min(worst.margin_at_a_db, worst.margin_at_b_db):.0f} dB over the limit.",
        causes=("distance", "ridge"),
        remedies=(Remedy("raise the antenna by 2 m", a.name, 4.2, min(1.0, round(worst.chance + 0.05, 6)), False),),
        profile=profile,
        chosen=chosen,
    )


def make_profile(a: Device, b: Device, distance_m: float) -> ProfileRecord:
    """Return the invented land between two devices in 96 equal steps."""
    places = [(a.x_m - EAST_M + (b.x_m - a.x_m) * i / 96, a.y_m - NORTH_M + (b.y_m - a.y_m) * i / 96) for i in range(97)]
    cover = [cover_at(*place) for place in places]
    return ProfileRecord(
        step_m=round(distance_m / 96, 6),
        ground_amsl_m=tuple(ground_amsl_m(*place) for place in places),
        cover_m=tuple(height for height, _ in cover),
        cover_kind=tuple(kind for _, kind in cover),
        effective_earth_radius_km=8494.667,
    )


def make_clearance(a: Device, b: Device, profile: ProfileRecord | None) -> Clearance:
    """Return the tightest place of the profile (Earth curvature left out: the paths are short)."""
    if profile is None:
        return Clearance("clear", 1.4, 3.0, 40.0, "open ground", "The path is clear.")
    start, end = a.ground_amsl_m + a.antenna_agl_m, b.ground_amsl_m + b.antenna_agl_m
    wavelength = 299.792458 / FREQUENCY_MHZ
    steps = len(profile.ground_amsl_m) - 1
    total = steps * profile.step_m
    shares = []
    for i in range(10, steps - 9):
        line = start + (end - start) * i / steps
        gap = line - profile.ground_amsl_m[i] - profile.cover_m[i]
        d1 = i * profile.step_m
        shares.append((gap / math.sqrt(wavelength * d1 * (total - d1) / total), gap, d1))
    share, gap, at_m = min(shares)
    kind = "blocked" if share < 0 else "in the zone" if share < 0.6 else "clear"
    side = "above" if gap < 0 else "below"
    words = f"Ridge at {at_m:.0f} m stands {abs(gap):.1f} m {side} the line."
    return Clearance(kind, round(share, 4), round(gap, 3), round(at_m, 3), f"ridge at {at_m:.0f} m", words)


def command_for(device: str) -> CommandRecord:
    """Return what is told of a battery device that sends every 15 minutes and should act within 30 s."""
    sampled = CommandOption(
        "sampled", 'listening = "sampled"', 14.0, 1.9, 0.0, 0.0, True,
        'listening = "sampled": would serve, a command waits up to 14 s; about 1.9 years on two aa cells.',
    )  # fmt: skip
    panel = CommandOption(
        "always", 'power = "panel", listening = "always"', 2.1, math.inf, 3.2, 45.0, True,
        'power = "panel", listening = "always": would serve, a command waits up to 2.1 s; a panel of 3.2 W, 45 EUR more.',
    )  # fmt: skip
    return CommandRecord(
        device=device,
        purpose="control",
        downlink_bytes=8,
        most_wait_s=30.0,
        wait_stated=False,
        listening="after report",
        wait_s=902.0,
        delivered_chance=0.99,
        fit=False,
        sentence=f"{device} is NOT fit to act on command: it listens in windows after its own reports, so a command may wait "
        "15 min; 30 s are usual.",
        reasons=("the worst delay is 902 s, 30 s are asked for",),
        must=("Build in a state that is safe when no command comes.",),
        options=(sampled, panel),
    )


def make_plan(suffix: str = "", *, names: dict[str, str] | None = None) -> Plan:
    """Return the plan of Tansy Hollow. `names` replaces device names, `suffix` is put after the property's name."""
    called = {key: (names or {}).get(key, key) for key in ("house", "ridge post", "spring", "orchard", "tank", "far gate", "barn")}
    gateway = make_device(
        called["house"],
        Role.GATEWAY,
        60,
        80,
        8.0,
        power=Power.MAINS,
        purpose=Purpose.TREND,
        reason="best of two roofs",
        duty=DutyRecord(56.576, 16.0, 0.000251, 0.01, 0.0012, 0.0023, True, "ERC/REC 70-03 annex 1, 865–868 MHz: 1 %"),
        energy=EnergyRecord("mains", "none", math.inf, math.nan, math.nan, "mains supply", "none needed"),
        cautions=("Look up: keep mast and ladder away from power lines.",),
    )
    relay = make_device(
        called["ridge post"],
        Role.RELAY,
        180,
        420,
        4.0,
        reason="without it spring would be cut off",
        height_assumed=True,
        energy=EnergyRecord("panel", "lithium iron phosphate", math.inf, 2.9, 15.0, "listening", "wake windows"),
    )
    spring = make_device(
        called["spring"],
        Role.SENSOR,
        300,
        640,
        1.0,
        purpose=Purpose.ALARM,
        importance=3.0,
        energy=EnergyRecord("battery", "alkaline pair", 3.4, math.nan, math.nan, "sleep current", "a better regulator"),
        duty=DutyRecord(56.576, 4.0, 0.0000629, 0.01, 0.00094, 0.0023, True, "ERC/REC 70-03 annex 1, 865–868 MHz: 1 %"),
        note="brick-lined, keep the lid shut",
    )
    orchard = make_device(called["orchard"], Role.SENSOR, 340, 220, 0.5)
    tank = make_device(called["tank"], Role.SENSOR, 120, 130, 1.5, purpose=Purpose.CONTROL)
    far_gate = make_device(called["far gate"], Role.SENSOR, 720, 900, 1.2, served=False, purpose=Purpose.ALARM)
    barn = make_device(called["barn"], Role.RELAY, 420, 120, 5.0, in_plan=False)
    links = (
        make_link(relay, gateway, 18.3, 0.0, chosen=True),
        make_link(spring, relay, 27.4, 0.0, chosen=True),
        make_link(orchard, gateway, 8.2, 12.0, chosen=True),
        make_link(tank, gateway, 1.0, 0.0, chosen=True),
        make_link(orchard, relay, 31.0, 6.0, chosen=False),
        make_link(far_gate, relay, 42.0, 0.0, chosen=False),
        make_link(tank, relay, 12.0, 0.0, chosen=False, with_profile=False),
    )
    hops = (
        HopRecord(spring.name, relay.name, 12.5, 7.0, 28.0, 4.0, 31.0, 51.5, 1.1, 1.2, 0.98, 0.999),
        HopRecord(relay.name, gateway.name, 12.5, 7.0, 28.0, 4.0, 31.0, 51.5, 1.3, 1.4, 0.97, 0.998),
    )
    return Plan(
        property_name=f"Tansy Hollow{suffix}",
        country="Europe (CEPT)",
        radio=RadioRecord(
            "css-868-sf7",
            "Chirp spread spectrum, 868 MHz, spreading factor 7",
            FREQUENCY_MHZ,
            14.0,
            SENSITIVITY_DBM,
            5469.0,
            125.0,
            "css",
            ("design sensitivity, 2.5 dB worse than derived",),
        ),
        seasons=(SeasonRecord("bare", 1, False), SeasonRecord("leaf", 7, True)),
        grid=GridRecord(CRS, 1.0, 900, 1100, EAST_M - 50, NORTH_M + 1050, 0.3, "1 m cells from one raster.", ("ground.tif",)),
        devices=(gateway, relay, spring, orchard, tank, far_gate, barn),
        links=links,
        routes=(
            Route(
                spring.name, (spring.name, relay.name, gateway.name), (links[1].key, links[0].key), 0.93, latency_s=1.2, hops=hops
            ),
            Route(
                orchard.name,
                (orchard.name, gateway.name),
                (links[2].key,),
                links[2].chance,
                (orchard.name, relay.name, gateway.name),
                (links[4].key, links[0].key),
                0.6,
            ),
            Route(tank.name, (tank.name, gateway.name), (links[3].key,), links[3].chance, latency_s=0.6),
        ),
        unserved=(
            Unserved(
                far_gate.name,
                relay.name,
                7.4,
                "the ridge stands in the way",
                (Remedy("put a relay on the saddle", far_gate.name, 19.0, 0.97, True),),
            ),
        ),
        proof=Proof(
            277.0,
            277.0,
            0.0,
            True,
            "No cheaper plan serves these sensors.",
            276.99999999999994,
            {"method": "linear relaxation", "multipliers": (0.1, 1 / 3)},
            {"seconds": 60},
            {"highspy": "1.11"},
        ),
        gateway_options=(
            GatewayOption((gateway.name,), 3, 277.0, 0.93, "Serves 3 of 4 sensors.", True),
            GatewayOption((barn.name,), 2, 240.0, 0.71, "Serves 2 of 4 sensors.", False),
        ),
        loses_service={gateway.name: (spring.name, orchard.name, tank.name), relay.name: (spring.name,)},
        legal=(
            LegalLine(
                "power",
                True,
                "865–868 MHz, 25 mW ERP",
                "15.1 dBm EIRP of 16.1 dBm allowed",
                "",
                "ERC/REC 70-03 annex 1",
                "read",
                "2025-01",
            ),
            LegalLine("duty", True, "1 % of each hour", "busiest device 0.12 %", "", "EN 300 220-2 V3.2.1", "named", "2025-01"),
        ),
        parts=(
            PartLine("radio node in a sealed box", 4, "piece", 1, 25.0, (spring.name, orchard.name, tank.name, far_gate.name)),
            PartLine("mini-coax-2.7mm", 6.0, "m", 1, None, (gateway.name, relay.name)),
        ),
        shapes=(
            MapShape("boundary", "boundary", 0.0, (tuple(lon_lat(*p) for p in ((0, 0), (0, 980), (800, 980), (800, 0), (0, 0))),)),
            MapShape(
                "wood",
                "alder strip",
                8.5,
                (
                    tuple(lon_lat(*p) for p in ((240, 120), (330, 120), (330, 260), (240, 260), (240, 120))),
                    tuple(lon_lat(*p) for p in ((270, 170), (290, 170), (290, 190), (270, 190), (270, 170))),
                ),
            ),
        ),
        cover_kinds=("open", "wood"),
        required_chance=0.8,
        verdict_limits=LIMITS,
        currency="EUR",
        assumptions=("The height of the relay's antenna is assumed.",),
        unknowns=("Soil moisture is not known.",),
        cautions=("The plan is an estimate: test before you buy masts.",),
        redundancy_prices=(
            {
                "level": "any one relay",
                "cost": 362.0,
                "extra_cost": 85.0,
                "sensors_with_second_route": 3,
                "lower_bound": 362.0,
                "sentence": "A route for each sensor when any one relay fails: 362 EUR, 3 sensors can have it.",
            },
        ),
        what_more_buys=("A hop limit of 4 would change nothing.",),
        channels=(ChannelRecord("868.300 MHz, SF7", 4, 0.0021, 0.013, 0.013, True, "868.300 MHz is quiet: 0.2 % of the time."),),
        commands=(command_for(tank.name),),
        better_radio=f"Another class serves 1 more sensor. Look at it with: meshplan plan tansy{suffix} --radio css-868-sf9",
        version="0.1.0",
    )


HOSTILE_NAMES = {
    "house": "{{7*7}} {% x {# y",
    "ridge post": "</script><script>window.hurt=1</script>",
    "spring": "<img src=x onerror=window.hurt=1>",
    "orchard": '=HYPERLINK("http://example.invalid")',
    "tank": "Ä-Tänk \"quoted\" & 'apostrophe' \u2028 ]]>",
    "far gate": "far,gate;tab\tnew\nline",
    "barn": "барн 納屋",
}
"""Names a property file may hold by accident or malice; all must be shown as plain text."""
