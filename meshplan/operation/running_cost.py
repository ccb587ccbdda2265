"""What a gateway or relay costs a year: data, and mains power."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from meshplan.operation.channel import MAX_TRIES
from meshplan.operation.energy import HOURS_PER_YEAR, Duty, average_current_ua, battery_life
from meshplan.records import Power, Role, RunningCost, Site
from meshplan.records.backhaul import BackhaulClass
from meshplan.records.radio import Battery, Board, RadioMode

REPORT_INTERVAL_S: Final = 3600.0
"""A relay or gateway sends a report of its own so often, as in the energy records (common practice, no source)."""

FORWARDED_BYTES: Final = 20
"""Forwarded packets are at least so long, as in the energy records."""

STATED: Final = "stated by the user"


def mean_power_w(modes: Sequence[RadioMode], board: Board) -> float:
    """Return what a device that always listens draws, before its traffic is known: the board once, each radio's receiver.

    Notes
    -----
    Source
        P = I U. Forwarding is left out: at the duty limits of the rules it adds less than the receiver draws.
    """
    first, *others = modes
    duty = Duty(mode=first, board=board, payload_bytes=12, interval_s=REPORT_INTERVAL_S, listening_share=1.0)
    current_ua = average_current_ua(duty) + sum(mode.radio.rx_current_ma.value * 1000.0 for mode in others)
    return current_ua / 1e6 * board.supply_v.value


def least_relay_life_years(
    modes: Sequence[RadioMode],
    board: Board,
    cell: Battery,
    *,
    cells: int,
    payload_bytes: int,
    interval_s: float,
    packets_per_hour: float,
    packet_bytes: int,
    listening_share: float,
    temperature_c: float,
) -> float:
    """Return how long a relay lasts on its cells if it sends so many packets beside its own; the less, the more they are.

    Two radios on one board count the board twice, which errs on the safe side.

    Notes
    -----
    Source
        As `energy.battery_life`; lives of two radios add as their currents do.
    """
    lives = [
        battery_life(
            Duty(
                mode=mode,
                board=board,
                payload_bytes=payload_bytes,
                interval_s=interval_s,
                mean_tries=MAX_TRIES,
                forwarded_packets_per_hour=packets_per_hour,
                forwarded_bytes=max(packet_bytes, FORWARDED_BYTES),
                listening_share=listening_share,
            ),
            cell,
            temperature_c=temperature_c,
            in_parallel=cells,
        ).years
        for mode in modes
    ]
    return 1.0 / sum(1.0 / years for years in lives)


def running_costs(
    site: Site, name: str, power_w: float, backhaul: BackhaulClass | None, energy_per_kwh: float, cells_per_year: float = 0.0
) -> tuple[RunningCost, ...]:
    """Return what a candidate costs a year, by cause; nothing for a sensor, which is given and not chosen.

    Parameters
    ----------
    site : Site
    name : str
        Of the device.
    power_w : float
        What board and radios draw on average.
    backhaul : BackhaulClass or None
        Way out of a gateway.
    energy_per_kwh : float
        Price of mains energy.
    cells_per_year : float
        What the cells of a relay on a battery cost a year.

    Notes
    -----
    Source
        E = P t. A panel has no running cost here: its battery ages and is not counted.
    """
    if site.role is Role.SENSOR:
        return ()
    if site.running_cost_per_year is not None:
        return (RunningCost(name, "data and power", round(site.running_cost_per_year, 2), STATED),)
    found = []
    if backhaul is not None and backhaul.price_per_year > 0.0:
        found.append(RunningCost(name, backhaul.title, round(backhaul.price_per_year, 2), backhaul.origin))
    total_w = power_w + (backhaul.power_w if backhaul is not None else 0.0)
    energy = round(total_w * HOURS_PER_YEAR / 1000.0 * energy_per_kwh, 2)
    if site.power is Power.MAINS and energy > 0.0:
        origin = f"{total_w:.3g} W all year at {energy_per_kwh:g} a kWh (cost.energy_per_kwh)"
        found.append(RunningCost(name, "mains power", energy, origin))
    if site.power is Power.BATTERY and cells_per_year > 0.0:
        found.append(RunningCost(name, "cells", round(cells_per_year, 2), "cost.battery over the least life of the cells"))
    return tuple(found)
