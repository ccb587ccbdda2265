"""What feeds each device: cells, a panel in its winter sun, or the mains; and what commands ask of a receiver."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from meshplan.assembly.traffic import busiest_interval_s, command_need, listening_of, station_mode
from meshplan.errors import InputError, nearest_name
from meshplan.operation.airtime import longest_packet_ms
from meshplan.operation.cells import choose_supply, fed_through, on_one_rail
from meshplan.operation.channel import MAX_TRIES
from meshplan.operation.duty_cycle import DeviceAirtime
from meshplan.operation.energy import (
    Duty,
    average_current_ua,
    battery_life,
    energy_wh_per_day,
    solar_supply,
    sun_band,
    tx_current_ma,
)
from meshplan.operation.listening import open_share
from meshplan.operation.sun import Horizon, winter_sun_share
from meshplan.records import EnergyRecord, Power, Role, Site
from meshplan.records.radio import Battery, Board, Region, Regulator, SolarTable
from meshplan.records.station import Station
from meshplan.settings import PropertySettings
from meshplan.terrain.horizon import horizon_deg
from meshplan.terrain.landscape import Landscape

OPEN_SUN_SHARE = 0.98
"""Share of the winter sun from which a horizon counts as open (own choice: the sun table is no better)."""

SUNNY_STEPS = 10
"""Steps of azimuth to either side of noon where the winter sun stands."""


@dataclass(frozen=True, eq=False)
class Catalogue:
    """Everything packaged or overridden that running a plan needs."""

    region: Region
    batteries: dict[str, Battery]
    boards: dict[str, Board]
    solar: SolarTable
    regulators: dict[str, Regulator] = field(default_factory=dict)


def find_in(catalogue: Mapping[str, object], key: str, setting: str) -> str:
    """Return a key that the catalogue holds, or raise with the nearest known one."""
    if key not in catalogue:
        raise InputError(
            f"'{key}' is not known.{nearest_name(key, catalogue)}",
            where=f"property.toml, key '{setting}'",
            fix=f"Write one of: {', '.join(catalogue)}.",
        )
    return key


def _listening_share(station: Station) -> float:
    """Return the share of time that a sensor's receiver is open for commands."""
    need = command_need(station.site)
    if need is None or station.radio.tx_only:
        return 0.0
    interval_s = station.site.interval_s
    return open_share(station.radio, listening_of(station.site), interval_s=interval_s, downlink_bytes=need[0], most_wait_s=need[1])


def energy_of(
    own: Sequence[Station],
    airtimes: Sequence[tuple[DeviceAirtime | None, float]],
    catalogue: Catalogue,
    settings: PropertySettings,
    landscape: Landscape | None = None,
) -> EnergyRecord:
    """Return the supply of a device; two radios on one board count the board twice, which errs on the safe side.

    Parameters
    ----------
    own : sequence of Station
        The radios of the device.
    airtimes : sequence of tuple
        What each radio has on the air (None: nothing but its own readings), and its mean frames for a reading.
    catalogue : Catalogue
    settings : PropertySettings
    landscape : Landscape, optional
        Shades panels; without it the sun table counts.
    """
    site, supply = own[0].site, settings.supply
    sensor, reports = site.role is Role.SENSOR, site.role is Role.SENSOR or bool(site.same_as)
    fitted = Role.SENSOR if reports else site.role
    board_key = getattr(supply, f"{fitted.value}_board")
    board = catalogue.boards[find_in(catalogue.boards, board_key, f"supply.{fitted.value}_board")]
    duties = [
        Duty(
            mode=station_mode(station),
            board=board,
            payload_bytes=site.payload_bytes,
            interval_s=site.interval_s if reports else 3600.0,
            mean_tries=tries,
            sending_ms_per_hour=None if sensor or airtime is None else airtime.normal.total_ms,
            listening_share=_listening_share(station) if sensor else (supply.relay_listening_share if own[0].lasts else 1.0),
        )
        for station, (airtime, tries) in zip(own, airtimes, strict=True)
    ]
    if site.power is Power.MAINS:
        return EnergyRecord("mains", "", float("inf"), 0.0, 0.0, "", "")
    if site.power is Power.PANEL:
        store = catalogue.batteries[find_in(catalogue.batteries, supply.panel_battery, "supply.panel_battery")]
        hours, shade = _winter_sun(own[0], catalogue, settings, landscape)
        sun = solar_supply(
            sum(energy_wh_per_day(average_current_ua(duty), board.supply_v.value) for duty in duties) + 24.0 * own[0].more_power_w,
            store,
            catalogue.solar,
            latitude_deg=site.lat_deg,
            peak_sun_hours=hours,
            temperature_c=supply.coldest_month_c,
        )
        sized = EnergyRecord("panel", supply.panel_battery, float("inf"), sun.panel_w, sun.storage_wh, "listening", "")
        return replace(sized, supply_words=shade, battery_words=store.words)
    return _on_cells(own, duties, board, catalogue, settings)


def _on_cells(
    own: Sequence[Station], duties: Sequence[Duty], board: Board, catalogue: Catalogue, settings: PropertySettings
) -> EnergyRecord:
    """Return the cells of a device, what stands between them and it, and how long they last."""
    supply, lasting = settings.supply, own[0].lasts
    cell_key, side_by_side = (supply.relay_battery, supply.relay_cells) if lasting else (supply.sensor_battery, 1)
    cell_setting = "supply.relay_battery" if lasting else "supply.sensor_battery"
    cell = catalogue.batteries[find_in(catalogue.batteries, cell_key, cell_setting)]
    radio = on_one_rail([station.radio.radio for station in own])
    cells = choose_supply(
        radio,
        board,
        cell,
        catalogue.regulators,
        pulse_ma=max(tx_current_ma(duty.mode) for duty in duties),
        pulse_ms=max(longest_packet_ms(duty.mode, duty.payload_bytes) for duty in duties),
        temperature_c=supply.coldest_month_c,
        in_series=supply.cells_in_series,
        between_s=min(_between_s(own[0].site, duty) for duty in duties),
        tries=MAX_TRIES if any(duty.mode.acknowledged for duty in duties) else 1,
    )
    if cells is not None and cells.feasible:
        cell, board = fed_through(cells, cell, board, radio.supply_v.value)
        duties = [replace(duty, board=board) for duty in duties]
        side_by_side = max(side_by_side, cells.in_parallel)
    lives = [
        battery_life(
            duty,
            cell,
            temperature_c=supply.coldest_month_c,
            in_parallel=side_by_side,
            better_board=catalogue.boards.get("tuned-microcontroller"),
            batteries=catalogue.batteries,
        )
        for duty in duties
    ]
    worst = min(lives, key=lambda life: life.years)
    years = 1.0 / sum(1.0 / life.years for life in lives) if len(lives) > 1 else worst.years
    record = EnergyRecord("battery", cell_key, years, 0.0, 0.0, worst.dominant, worst.best_change, battery_words=cell.words)
    if cells is None:
        return record
    if not cells.feasible:
        return replace(record, life_years=0.0, supply_words=cells.sentence)
    return replace(
        record,
        cells_in_series=cells.in_series,
        cells_in_parallel=max(side_by_side, cells.in_parallel),
        regulator="" if cells.regulator is None else cells.regulator.title,
        capacitor_mf=cells.capacitor_mf,
        supply_words=cells.sentence,
    )


def _between_s(site: Site, duty: Duty) -> float:
    """Return the time from one packet of a device to the next: its shortest interval, or as often as the packets it forwards."""
    if not duty.sending_ms_per_hour:
        return busiest_interval_s(site) if site.role is Role.SENSOR or site.same_as else duty.interval_s
    return 3600.0 * longest_packet_ms(duty.mode, duty.payload_bytes) / duty.sending_ms_per_hour


def _winter_sun(
    station: Station, catalogue: Catalogue, settings: PropertySettings, landscape: Landscape | None
) -> tuple[float | None, str]:
    """Return the hours of full sun on a panel at the top of its mast, and what its horizon takes of them in words.

    What the user states holds for the place as it is; None leaves it to the sun table.
    """
    if settings.supply.peak_sun_hours is not None or landscape is None:
        return settings.supply.peak_sun_hours, ""
    site = station.site
    month = 12 if site.lat_deg >= 0 else 6
    horizon = Horizon(*horizon_deg(landscape, site.x_m, site.y_m, station.antenna_agl_m, month))
    hours = sun_band(catalogue.solar, site.lat_deg).peak_sun_hours.value
    share = winter_sun_share(site.lat_deg, horizon, hours)
    if share > OPEN_SUN_SHARE:
        return None, ""
    towards = "south" if site.lat_deg >= 0 else "north"
    middle = len(horizon.bare_deg) // 2 if site.lat_deg >= 0 else 0
    around = np.take(horizon.bare_deg, range(middle - SUNNY_STEPS, middle + SUNNY_STEPS + 1), mode="wrap")
    words = (
        f"ground and cover up to {float(around.max()):.0f}° high in the {towards} leave {share * 100:.0f} % of the sun of the "
        "worst month; a panel beside the shade may be smaller"
    )
    return hours * share, words
