"""Stations for tests of links: a radio of the catalogue at metres east and south of the corner of `landscapes`."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from landscapes import CRS, NORTH_M, WEST_M
from pyproj import Transformer

from meshplan.explain.describe import Context
from meshplan.inputs.antennas import read_antennas, read_cables
from meshplan.inputs.radios import read_radio_classes
from meshplan.links.build_stations import build_stations
from meshplan.links.link_table import LinkTable, compute_links
from meshplan.loss.path_loss import PathSettings
from meshplan.loss.uncertainty import ErrorFields
from meshplan.propagation.ground import REFERENCE_LAND
from meshplan.propagation.refraction import effective_earth_radius_km
from meshplan.propagation.seasons import Season
from meshplan.records import Role, Site
from meshplan.records.radio import RadioMode, radio_mode
from meshplan.records.station import Station
from meshplan.settings import PropertySettings
from meshplan.terrain.landscape import Landscape

ANTENNAS, CABLES = read_antennas(), read_cables()
RADIO: RadioMode = replace(
    radio_mode(read_radio_classes(), "fsk-868", power_dbm=13.0, frequency_mhz=868.0), sensitivity_dbm=-112.0, bandwidth_khz=4.8
)
"""FSK at 4.8 kbit/s with a receiver that corrects its frequency: the stories of these tests do not hang on the catalogue."""
SETTINGS = PathSettings(868.0, float(effective_earth_radius_km()), "vertical", REFERENCE_LAND)
BARE = Season("bare", 1, 0.0, wet=False, snow=False)
LEAF = Season("leaf", 7, 1.0, wet=False, snow=False)

_TO_DEGREES = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)


def make_site(name: str, east_m: float, south_m: float, height_m: float, role: Role = Role.SENSOR, **more: Any) -> Site:
    """Return a site on the test grid."""
    x, y = WEST_M + east_m, NORTH_M - south_m
    lon, lat = _TO_DEGREES.transform(x, y)
    return Site(name, role, lon, lat, x, y, height_m, **more)


def make_stations(sites: list[Site], landscape: Landscape, radio: RadioMode = RADIO) -> tuple[tuple[Station, ...], tuple[str, ...]]:
    """Return their stations and what was assumed; all send what the radio sends."""
    settings = PropertySettings.model_validate(
        {"name": "Test", "country": "europe", "radio": ["fsk-868"], "elevation": ["test.tif"], "sites": ["sites.csv"]}
    )
    return build_stations(sites, landscape, radio, ANTENNAS, CABLES, settings, lambda *_: radio.tx_power_dbm)


def links_between(
    sites: list[Site],
    landscape: Landscape,
    *,
    pairs: list[tuple[int, int]] | None = None,
    seasons: tuple[Season, ...] = (BARE, LEAF),
    error_fields: ErrorFields | None = None,
    settings: PathSettings = SETTINGS,
    radio: RadioMode = RADIO,
) -> LinkTable:
    """Return the links between sites, by default from the first to all others."""
    stations, _ = make_stations(sites, landscape, radio)
    chosen = pairs or [(0, i) for i in range(1, len(stations))]
    return compute_links(stations, np.array(chosen), landscape, seasons, settings, error_fields=error_fields)


def context_of(landscape: Landscape, required_chance: float = 0.8, settings: PathSettings = SETTINGS) -> Context:
    """Return what the words about links need."""
    kinds = ("open", *sorted({cover.kind for cover in landscape.covers}))
    return Context(landscape, settings, required_chance, "north", kinds)
