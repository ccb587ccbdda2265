"""The shopping list: what a plan needs, spares included, each line traced to its devices."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Final

from meshplan.records import RAISED_AGL_M, Device, PartLine, Power, Role
from meshplan.records.backhaul import BackhaulClass
from meshplan.settings import CostSettings

FREE_HEIGHT_M: Final = 2.0
"""A post of this height comes with the device; only metres above it are priced."""

CABLE_STEP_M: Final = 0.5
PANEL_STEP_W: Final = 0.5
STORAGE_STEP_WH: Final = 5.0
"""Cables, panels and batteries are bought in sizes rounded up to these steps, so that like sites share a line."""

CAPACITORS_MF: Final = (1.0, 2.2, 4.7, 10.0, 22.0, 47.0, 100.0, 220.0, 470.0)
"""Usual sizes (IEC 60063, E6 and E3)."""


def parts_list(
    devices: Sequence[Device], costs: CostSettings, ways_out: Mapping[str, BackhaulClass] | None = None
) -> tuple[PartLine, ...]:
    """Return the parts of all devices of the plan, radios first.

    Parameters
    ----------
    devices : sequence of Device
        Those that are not in the plan are left out, and sensors without a route: nobody should buy them yet.
    costs : CostSettings
        Prices and the share of spares.
    ways_out : mapping, optional
        Kinds of way out of a gateway by name; without it none is listed.

    Notes
    -----
    Quantities times prices, without spares, add up to the `cost` of those devices; where a site has its own price the
    difference is a line of its own. A sensor of cost 0 counts with its standard price. Parts without a known price have
    none and are not in that sum. Spares are the given share, at least one of each; masts, posts and work have none. A sensor
    that forwards is bought once: as a relay it needs no more than the panel of its open receiver.
    """
    relaying = {device.same_as for device in devices if device.in_plan}
    every = [
        device
        for device in devices
        if device.in_plan and (device.role is not Role.SENSOR or device.served or device.name in relaying)
    ]
    used = [device for device in every if not device.same_as]
    forwarding = {device.same_as for device in every if device.same_as and device.power is Power.BATTERY}
    sensors = [device for device in used if device.role is Role.SENSOR and device.name not in forwarding]
    relays = [device for device in every if device.role is Role.RELAY]
    lines = [
        *_nodes(used, costs),
        *_masts(used, costs),
        *_by_kind(
            [device for device in every if device.role is not Role.SENSOR], _panel_kind, costs.spare_share, price=costs.panel
        ),
        *_by_kind([device for device in used if device.name not in relaying], _sensor_panel_kind, costs.spare_share),
        *_ways_out(used, ways_out or {}),
        *_own_prices(used, costs, ways_out or {}),
        *_by_kind(used, lambda device: f"antenna: {_words(device.antenna)}", costs.spare_share),
        *_by_kind(used, _cable_kind, costs.spare_share),
        *_connectors(used, costs.spare_share),
        *_by_kind(sensors, _battery_kind, costs.spare_share, unit="set"),
        *_by_kind(relays, _battery_kind, costs.spare_share, unit="set", price=costs.battery),
        *_cells(sensors, costs.spare_share),
        *_by_kind(every, _holder_kind, costs.spare_share),
        *_by_kind(every, _regulator_kind, costs.spare_share),
        *_by_kind(every, _capacitor_kind, costs.spare_share),
        *_by_kind(used, _arrester_kind, costs.spare_share),
        *_by_kind(used, _fittings_kind, costs.spare_share, unit="set"),
    ]
    return tuple(line for line in lines if line.devices)


def spares(quantity: float, share: float) -> float:
    """Return how many spares to buy: the share, rounded up, and at least one."""
    return float(max(1, math.ceil(round(quantity * share, 9))))


def _words(key: str) -> str:
    return key.replace("-", " ").replace("_", " ") or "as the radio has it"


def _line(part: str, devices: Iterable[Device], unit: str, price: float | None, share: float | None) -> PartLine:
    names = tuple(device.name for device in devices)
    extra = spares(len(names), share) if share is not None else 0.0
    return PartLine(part, float(len(names)), unit, extra, price, names)


def _by_kind(
    devices: Iterable[Device],
    kind: Callable[[Device], str | None],
    share: float | None,
    *,
    unit: str = "piece",
    price: float | None = None,
) -> list[PartLine]:
    """Return one line for each kind that the devices need, in the order of first need."""
    groups: dict[str, list[Device]] = {}
    for device in devices:
        part = kind(device)
        if part is not None:
            groups.setdefault(part, []).append(device)
    return [_line(part, group, unit, price, share) for part, group in groups.items()]


def _nodes(devices: Sequence[Device], costs: CostSettings) -> list[PartLine]:
    prices = {Role.GATEWAY: costs.gateway, Role.RELAY: costs.relay, Role.SENSOR: costs.sensor}
    return [
        line
        for role, price in prices.items()
        for line in _by_kind(
            [device for device in devices if device.role is role],
            lambda device: f"{device.role.value}: radio, board and box ({_words(device.radio)})",
            costs.spare_share,
            price=price,
        )
    ]


def _paid_height_m(device: Device) -> float:
    return max(0.0, device.antenna_agl_m - FREE_HEIGHT_M)


def _masts(devices: Sequence[Device], costs: CostSettings) -> list[PartLine]:
    """Return one line for each height; sensors stand on posts that their price includes."""
    lines = []
    heights = sorted({device.antenna_agl_m for device in devices if _paid_height_m(device) and device.role is not Role.SENSOR})
    for height in heights:
        group = [device for device in devices if device.antenna_agl_m == height and device.role is not Role.SENSOR]
        price = costs.mast_per_m * (height - FREE_HEIGHT_M)
        lines.append(_line(f"mast or bracket, antenna at {height:g} m", group, "piece", price, None))
    posts = [device for device in devices if not device.indoors and (device.role is Role.SENSOR or not _paid_height_m(device))]
    return [*lines, *_by_kind(posts, _post_kind, None)]


def _post_kind(device: Device) -> str:
    if _paid_height_m(device):
        return f"post, antenna at {device.antenna_agl_m:g} m"
    return f"post, antenna at {FREE_HEIGHT_M:g} m or lower"


def _panel_kind(device: Device) -> str | None:
    if device.power is not Power.PANEL:
        return None
    energy = device.energy
    if energy is None or not (energy.panel_w > 0 and energy.storage_wh > 0 and math.isfinite(energy.panel_w + energy.storage_wh)):
        return "panel, charger and battery"
    panel_w, storage_wh = _rounded_up(energy.panel_w, PANEL_STEP_W), _rounded_up(energy.storage_wh, STORAGE_STEP_WH)
    return f"panel of {panel_w:g} W, charger, battery of {storage_wh:g} Wh ({energy.cell})"


def _sensor_panel_kind(device: Device) -> str | None:
    """Return the panel of a sensor, which no setting prices; one that forwards lives on the panel of its relay."""
    kind = _panel_kind(device) if device.role is Role.SENSOR else None
    return f"{kind}, for a sensor" if kind else None


def _rounded_up(value: float, step: float) -> float:
    return step * math.ceil(round(value / step, 6))


def _ways_out(devices: Sequence[Device], ways_out: Mapping[str, BackhaulClass]) -> list[PartLine]:
    """Return one line for each kind of way out that something is bought for."""
    bought = {name: kind for name, kind in ways_out.items() if kind.price > 0.0}
    groups = {name: [device for device in devices if device.backhaul == name] for name in bought}
    return [_line(f"way out: {bought[name].title}", group, "set", bought[name].price, None) for name, group in groups.items()]


def _own_prices(devices: Sequence[Device], costs: CostSettings, ways_out: Mapping[str, BackhaulClass]) -> list[PartLine]:
    lines = []
    for device in devices:
        if not math.isfinite(device.cost) or (device.role is Role.SENSOR and device.cost == 0.0):
            continue  # sensors are given, not chosen: a plan may carry them without a price
        standard = {Role.GATEWAY: costs.gateway, Role.RELAY: costs.relay, Role.SENSOR: costs.sensor}[device.role]
        if device.role is not Role.SENSOR:
            standard += costs.mast_per_m * _paid_height_m(device)
            standard += {Power.MAINS: 0.0, Power.PANEL: costs.panel, Power.BATTERY: costs.battery}[device.power]
            standard += ways_out[device.backhaul].price if device.backhaul in ways_out else 0.0
        difference = device.cost - standard
        if abs(difference) > 0.005:
            words = "own price of this site, more" if difference > 0 else "own price of this site, less"
            lines.append(PartLine(f"{words} than the standard parts", 1.0, "site", 0.0, difference, (device.name,)))
    return lines


def _cable_kind(device: Device) -> str | None:
    if not device.cable or not device.cable_m > 0:
        return None
    length = _rounded_up(device.cable_m, CABLE_STEP_M)
    plugs = "" if device.fittings else ", plugs to fit"
    return f"antenna cable {_words(device.cable)}, {length:g} m{plugs}"


def _battery_kind(device: Device) -> str | None:
    if device.power is not Power.BATTERY or device.role is Role.GATEWAY:
        return None
    if _fed_by_cells(device) and device.role is Role.SENSOR:
        return None  # counted cell by cell
    energy = device.energy
    kind = f"battery: {energy.cells}" if energy is not None and energy.battery not in ("", "none") else "battery"
    if energy is not None and energy.no_cells_suit:
        kind = f"supply still to be chosen: no {energy.cells} suit"
    return kind if device.role is Role.SENSOR else f"{kind}, for a relay"


def _fed_by_cells(device: Device) -> bool:
    return device.power is Power.BATTERY and device.energy is not None and device.energy.cells_in_series > 0


def _cells(devices: Sequence[Device], share: float) -> list[PartLine]:
    """Return one line for each kind of cell, counted cell by cell."""
    groups: dict[str, list[Device]] = {}
    for device in devices:
        if _fed_by_cells(device) and device.energy is not None:
            groups.setdefault(device.energy.cells, []).append(device)
    lines = []
    for kind, group in groups.items():
        count = sum(d.energy.cells_in_series * d.energy.cells_in_parallel for d in group if d.energy is not None)
        names = tuple(device.name for device in group)
        lines.append(PartLine(f"cells: {kind}", float(count), "cell", spares(count, share), None, names))
    return lines


def _holder_kind(device: Device) -> str | None:
    energy = device.energy
    if not _fed_by_cells(device) or energy is None:
        return None
    count, side = energy.cells_in_series, energy.cells_in_parallel
    row = f"{count} in series" if count > 1 else "1 cell"
    return f"holder for {energy.cells}: {row}{f', {side} side by side' if side > 1 else ''}"


def _regulator_kind(device: Device) -> str | None:
    energy = device.energy
    return f"regulator: {energy.regulator}" if _fed_by_cells(device) and energy is not None and energy.regulator else None


def _capacitor_kind(device: Device) -> str | None:
    energy = device.energy
    if not _fed_by_cells(device) or energy is None or not energy.capacitor_mf > 0.0:
        return None
    size = next((step for step in CAPACITORS_MF if step >= energy.capacitor_mf), math.ceil(energy.capacitor_mf))
    return f"capacitor beside the cells, {size:g} mF or more"


def _arrester_kind(device: Device) -> str | None:
    return "surge arrester and earth lead" if wants_arrester(device.antenna_agl_m, indoors=bool(device.indoors)) else None


def wants_arrester(antenna_agl_m: float, *, indoors: bool) -> bool:
    """Return whether an antenna stands so that its line needs a surge arrester."""
    return antenna_agl_m > RAISED_AGL_M and not indoors


def _connectors(devices: Sequence[Device], share: float) -> list[PartLine]:
    """Return one line for each kind of connector and adapter, counted piece by piece."""
    counts: dict[str, dict[str, int]] = {}
    for device in devices:
        for part in device.fittings:
            of_part = counts.setdefault(part, {})
            of_part[device.name] = of_part.get(device.name, 0) + 1
    return [
        PartLine(part, float(sum(each.values())), "piece", spares(sum(each.values()), share), None, tuple(each))
        for part, each in counts.items()
    ]


def _fittings_kind(device: Device) -> str | None:
    return None if device.indoors else "glands, vent plug, desiccant, label, ties"
