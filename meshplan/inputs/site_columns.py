"""The columns of a sites file: name, unit, default, allowed values and meaning of each, written once."""

from __future__ import annotations

import re
from typing import Final

from meshplan.inputs.columns import (
    Column,
    Entry,
    FormedParser,
    UnfitValueError,
    angle,
    describe_columns,
    duration,
    number,
    number_list,
    one_of,
    plain,
    text,
    whole_number,
    yes_or_no,
)
from meshplan.inputs.walls import WALL_WORDS, WALLS
from meshplan.records import CLUTTER_KINDS, LISTENING, POLARISATIONS, Power, Purpose, Role, Use
from meshplan.units import FOOT_M

DEFAULT_HEIGHT_AGL_M: Final = {Role.SENSOR: 1.0, Role.RELAY: 3.0, Role.GATEWAY: 4.0}
"""Antenna height where a site gives none. Common practice, no source; always reported as assumed."""

DEFAULT_POWER: Final = {Role.SENSOR: Power.BATTERY, Role.RELAY: Power.PANEL, Role.GATEWAY: Power.MAINS}
"""Supply where a site gives none."""

HIGHEST_ANTENNA_AGL_M: Final = 100.0

ROLE_WORDS: Final = {
    "node": Role.SENSOR,
    "sensor node": Role.SENSOR,
    "gw": Role.GATEWAY,
    "base": Role.GATEWAY,
    "base station": Role.GATEWAY,
    "hub": Role.GATEWAY,
    "receiver": Role.GATEWAY,
    "repeater": Role.RELAY,
    "router": Role.RELAY,
}


def _height_hint(amount: float) -> str:
    if amount <= 0:
        return "An antenna lies above the ground, if only by a few centimetres."
    return (
        f"If it is in feet, write {plain(round(amount * FOOT_M, 2))}; if it is above sea level, give the height above the ground."
    )


_height = number(0.01, HIGHEST_ANTENNA_AGL_M, unit="m", hint=_height_hint)
_one_role = one_of([role.value for role in Role], ROLE_WORDS)


def _roles(value: object) -> tuple[Role, ...]:
    words = [word for word in re.split(r"[,;/+&|]|\bor\b|\band\b", str(value)) if word.strip()]
    roles = tuple(dict.fromkeys(Role(_one_role(word.strip())) for word in words))
    if not roles:
        raise UnfitValueError(f"'{value}' is not known.", "Write one of: sensor, gateway, relay.")
    if Role.SENSOR in roles and len(roles) > 1:
        raise UnfitValueError(
            f"'{value}' mixes a sensor with other roles", "Write one row for the sensor and another for the candidate."
        )
    return roles


_importance_number = number(0, 1000, above_low=True)
_IMPORTANCE_WORDS = {"low": 1.0, "mid": 2.0, "medium": 2.0, "high": 4.0}


def _importance(value: object) -> float:
    return _IMPORTANCE_WORDS.get(str(value).strip().casefold()) or float(_importance_number(value))


def _walls(value: object) -> str:
    """Parse wall types to pass, outermost first, with "+" between them."""
    parse = one_of(WALLS, WALL_WORDS)
    return "+".join(parse(part.strip()) for part in str(value).split("+"))


SITE_COLUMNS: Final = (
    Column("name", "Name of the place, used once.", text(80), required=True, aliases=("id", "site", "station", "label")),
    Column(
        "role",
        'What the place is for: a sensor, or a candidate for a gateway or a relay. "gateway or relay" offers the place as both.',
        FormedParser(_roles, Entry("several of", choices=tuple(role.value for role in Role))),
        required=True,
        allowed="sensor, gateway, relay",
    ),
    Column(
        "lon_deg",
        "Longitude, WGS 84, decimal degrees, west negative.",
        angle(180, name="longitude", other="latitude"),
        unit="degrees",
        allowed="-180 to 180",
        default_words="x_m and y_m instead",
        aliases=("lon", "long", "lng", "longitude", "longitude_deg"),
    ),
    Column(
        "lat_deg",
        "Latitude, WGS 84, decimal degrees, south negative.",
        angle(90, name="latitude", other="longitude"),
        unit="degrees",
        allowed="-90 to 90",
        default_words="x_m and y_m instead",
        aliases=("lat", "latitude", "latitude_deg"),
    ),
    Column(
        "x_m",
        'Easting in the projection that property.toml names with crs = "EPSG:…".',
        number(-1e8, 1e8, unit="m"),
        unit="m",
        default_words="lon_deg and lat_deg instead",
        aliases=("x", "east", "easting", "easting_m", "east_m"),
    ),
    Column(
        "y_m",
        'Northing in the projection that property.toml names with crs = "EPSG:…".',
        number(-1e8, 1e8, unit="m"),
        unit="m",
        default_words="lon_deg and lat_deg instead",
        aliases=("y", "north", "northing", "northing_m", "north_m"),
    ),
    Column(
        "antenna_agl_m",
        "Height of the antenna above the ground.",
        _height,
        unit="m",
        default_words="assumed by role (sensor 1, relay 3, gateway 4) and reported",
        allowed=f"0.01 to {plain(HIGHEST_ANTENNA_AGL_M)}",
        aliases=("antenna_height_m", "height_m", "height", "h_m", "antenna_m", "agl_m", "antenna_height"),
    ),
    Column(
        "mast_heights_agl_m",
        "Further antenna heights that the planner may choose here, with semicolons between: 4; 6; 8.",
        number_list(0.01, HIGHEST_ANTENNA_AGL_M, unit="m"),
        unit="m",
        default=(),
        default_words="none",
        aliases=("mast_heights_m", "mast_heights", "heights_m"),
    ),
    Column(
        "purpose",
        "What the readings are for; it decides how sure the link must be.",
        one_of([purpose.value for purpose in Purpose], {"command": "control"}),
        default=Purpose.TREND,
        default_words="trend",
        allowed="trend, alarm, control",
        aliases=("class",),
    ),
    Column(
        "importance",
        "How much it matters that this sensor is served; low is 1, mid 2, high 4.",
        FormedParser(_importance, Entry("number", 0, 1000, above_low=True)),
        default=1.0,
        allowed="a number above 0, or low, mid, high",
        aliases=("priority", "weight"),
    ),
    Column(
        "optional",
        "Whether the plan may leave this sensor out to save money.",
        yes_or_no,
        default=False,
        default_words="no",
        allowed="yes, no",
    ),
    Column(
        "power",
        "What feeds the place.",
        one_of([power.value for power in Power], {"solar": "panel", "grid": "mains", "cell": "battery", "cells": "battery"}),
        default_words="by role: sensor battery, relay panel, gateway mains",
        allowed="mains, panel, battery",
        aliases=("supply",),
    ),
    Column(
        "cost",
        "Price of using this place, all included, in your currency.",
        number(0, 1e9),
        default_words="from the prices in property.toml",
        allowed="0 or more",
        aliases=("price",),
    ),
    Column(
        "running_cost_per_year",
        "What a gateway or relay at this place costs a year, data and power included, in your currency.",
        number(0, 1e9),
        default_words="from its way out and its power",
        allowed="0 or more",
        aliases=("running_cost", "yearly_cost"),
    ),
    Column(
        "backhaul",
        "How readings leave a gateway here (`meshplan radios --backhauls` lists the kinds).",
        text(60),
        default_words="from property.toml, [cost] backhaul",
    ),
    Column(
        "worth",
        "What serving an optional sensor is worth, in your currency: it is left out where serving it would cost more.",
        number(0, 1e9),
        default_words="nothing: an optional sensor is served where it costs nothing",
        allowed="0 or more",
    ),
    Column(
        "forwards",
        "Whether this sensor may forward what others send: it then listens all the time.",
        yes_or_no,
        default_words="yes on mains or a panel, no on a battery",
        allowed="yes, no",
        aliases=("may_forward", "repeats"),
    ),
    Column(
        "payload_bytes",
        "Size of one reading without headers.",
        whole_number(1, 255),
        unit="bytes",
        default=12,
        allowed="1 to 255",
        aliases=("payload", "bytes"),
    ),
    Column(
        "interval_s",
        'Time between readings; "15 min" and "2 h" are understood.',
        duration(1, 31_536_000),
        unit="s",
        default=900.0,
        default_words="900 (15 min)",
        allowed="1 second to 1 year",
        aliases=("interval",),
    ),
    Column(
        "fast_interval_s",
        "Time between readings in the busiest hour (frost night, flood, an event).",
        duration(1, 31_536_000),
        unit="s",
        default_words="as interval_s",
        allowed="1 second to 1 year",
        aliases=("fast_interval",),
    ),
    Column(
        "downlink_bytes",
        "Size of a command to this sensor, without headers; 0 where it takes none.",
        whole_number(0, 255),
        unit="bytes",
        default_words="8 for control, else none",
        allowed="0 to 255",
        aliases=("downlink", "command_bytes"),
    ),
    Column(
        "command_wait_s",
        "Longest time until a command is carried out; where it cannot be kept, `meshplan plan` ends with exit code 1.",
        duration(1, 31_536_000),
        unit="s",
        default_words="30, told but not insisted on",
        allowed="1 second to 1 year",
        aliases=("command_wait", "most_wait_s"),
    ),
    Column(
        "listening",
        "How a sensor listens for commands: in windows after its own reports, in short looks all the time, or without a break.",
        one_of(LISTENING, {"after_report": "after report"}),
        default_words="after report on cells, else always",
        allowed=", ".join(LISTENING),
    ),
    Column(
        "antenna",
        "Antenna class (`meshplan radios --antennas` lists them).",
        text(60),
        default_words="by role from property.toml",
        aliases=("antenna_class",),
    ),
    Column(
        "azimuth_deg",
        "Where a directional antenna points, clockwise from true north, as bearings of links are printed; a compass shows magnetic "
        "north, which is a few degrees off.",
        number(-360, 360, unit="degrees"),
        unit="degrees",
        default_words="towards its partner",
        allowed="-360 to 360",
        aliases=("azimuth", "bearing_deg"),
    ),
    Column(
        "tilt_deg",
        "How far the antenna leans down from level; negative where it leans up.",
        number(-90, 90, unit="degrees"),
        unit="degrees",
        default=0.0,
        allowed="-90 to 90",
        aliases=("tilt",),
    ),
    Column("cable", "Cable class between radio and antenna.", text(60), default_words="from property.toml"),
    Column(
        "cable_m",
        "Length of that cable.",
        number(0, 200, unit="m"),
        unit="m",
        default_words="by role from property.toml",
        allowed="0 to 200",
    ),
    Column(
        "indoors",
        'Wall that the signal must pass because the antenna is inside; several with "+" between them.',
        FormedParser(_walls, Entry("several of", choices=tuple(WALLS))),
        default_words="outdoors",
        allowed=", ".join(WALLS),
        aliases=("inside", "wall"),
    ),
    Column(
        "noise_rise_db",
        "Radio noise here above a quiet place (inverters, lamps, fences).",
        number(0, 60, unit="dB"),
        unit="dB",
        default_words="judged by the planner",
        allowed="0 to 60",
    ),
    Column(
        "extra_loss_db",
        "Further loss at this place, for example a metal lid.",
        number(0, 100, unit="dB"),
        unit="dB",
        default=0.0,
        allowed="0 to 100",
    ),
    Column(
        "clutter",
        "Houses or trees all around, taller than the antenna, that no file of the property shows; not counted where one does.",
        one_of(CLUTTER_KINDS),
        default_words="what the files show, or [land_cover] of property.toml where they show nothing",
        allowed=", ".join(CLUTTER_KINDS),
        former=("surroundings",),
    ),
    Column(
        "clearing_m",
        "Bare ground around the antenna that no file shows: the way to the first hedge, tree or house.",
        number(0, 1000, unit="m"),
        unit="m",
        default=0.0,
        default_words="27 m, the width of a usual street; less counts as much",
        allowed="0 to 1000",
    ),
    Column(
        "polarisation",
        "How the antenna stands, where it differs from the rest: upright, lying or leaning by 45 degrees.",
        one_of(POLARISATIONS),
        default_words="as in property.toml, [antenna] polarisation",
        allowed=", ".join(POLARISATIONS),
    ),
    Column(
        "use",
        "Whether the planner is free to use a candidate, must, or must not.",
        one_of([use.value for use in Use]),
        default=Use.FREE,
        default_words="free",
        allowed="free, forced, forbidden",
    ),
    Column(
        "radio",
        'Radio class of this place, where it differs; two of them joined with "+" for a relay or gateway with two radios.',
        text(60),
        default_words="from property.toml",
    ),
    Column(
        "second_route",
        "Whether this sensor needs a second route.",
        yes_or_no,
        default=False,
        default_words="no",
        allowed="yes, no",
    ),
    Column(
        "note",
        "Anything you want to see on its sheet.",
        text(500),
        default="",
        default_words="empty",
        aliases=("notes", "remark", "comment"),
    ),
)


def describe_site_columns() -> str:
    """Return the manual of the sites file."""
    return describe_columns("Columns of a sites file", SITE_COLUMNS)
