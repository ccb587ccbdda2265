"""Relays on a battery: how long each would last whatever it forwards, and whether that is long enough."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import floor

from meshplan.assembly.supplies import Catalogue, find_in
from meshplan.assembly.traffic import station_mode
from meshplan.operation.channel import MAX_TRIES
from meshplan.operation.running_cost import REPORT_INTERVAL_S, least_relay_life_years
from meshplan.records import Power, Role, Site
from meshplan.records.station import Station
from meshplan.settings import PropertySettings


def with_battery_relays(
    stations: Sequence[Station], sensors: Sequence[Site], catalogue: Catalogue, settings: PropertySettings
) -> tuple[tuple[Station, ...], tuple[str, ...]]:
    """Return the stations with the life of relays on a battery, and the sentence about each of them.

    Without `supply.relay_life_years` no battery is lasting power, and nothing is said. A place with two radios has two stations
    under one key and one life.

    Notes
    -----
    Source
        The bound holds for every plan: each candidate is charged with the readings of all sensors, each in as many tries as there
        may be, and a confirmation of each.
    """
    asked, supply = settings.supply.relay_life_years, settings.supply
    on_cells = [s for s in stations if s.site.role is Role.RELAY and s.site.power is Power.BATTERY]
    if asked is None or not on_cells:
        return tuple(stations), ()
    cell = catalogue.batteries[find_in(catalogue.batteries, supply.relay_battery, "supply.relay_battery")]
    packets_per_hour = 2.0 * MAX_TRIES * sum(3600.0 / site.interval_s for site in sensors)
    life: dict[str, float] = {}
    reported: dict[str, None] = {}
    for station in on_cells:
        if station.key in life:
            continue
        site = station.site
        board_key = supply.sensor_board if site.same_as else supply.relay_board
        board = catalogue.boards[find_in(catalogue.boards, board_key, f"supply.{'sensor' if site.same_as else 'relay'}_board")]
        life[station.key] = years = least_relay_life_years(
            [station_mode(other) for other in on_cells if other.key == station.key],
            board,
            cell,
            cells=supply.relay_cells,
            payload_bytes=site.payload_bytes,
            interval_s=site.interval_s if site.same_as else REPORT_INTERVAL_S,
            packets_per_hour=packets_per_hour,
            packet_bytes=max(sensor.payload_bytes for sensor in sensors),
            listening_share=supply.relay_listening_share,
            temperature_c=supply.coldest_month_c,
        )
        verdict = (
            "it may be a relay" if years >= asked else f"less than the {asked:g} asked (supply.relay_life_years): it is not used"
        )
        reported[
            f"On its cells {site.name} lasts at least {floor(years * 100.0) / 100.0:g} years, whatever it forwards: {verdict}."
        ] = None
    if supply.relay_listening_share < 1.0:
        reported[
            f"Relays on a battery listen {supply.relay_listening_share:.1%} of the time (supply.relay_listening_share): their "
            "neighbours must know the windows, and each such hop waits for one; that wait is not in the delays."
        ] = None
    found = tuple(
        replace(s, life_years=life[s.key], lasts=life[s.key] >= asked) if s.key in life and s in on_cells else s for s in stations
    )
    return found, tuple(reported)
