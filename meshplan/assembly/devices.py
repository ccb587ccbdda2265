"""Stations as devices of the plan: what stands where, and why."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace

from meshplan.assembly.running import Running
from meshplan.links.mixture import BETWEEN_RADIOS
from meshplan.operation.cautions import cautions_for
from meshplan.operation.connectors import fittings
from meshplan.operation.parts import wants_arrester
from meshplan.records import CautionRule, Device, Role, Use
from meshplan.records.antenna import CableClass
from meshplan.records.station import Station
from meshplan.records.utility import WireNearby
from meshplan.settings import CostSettings


def make_devices(
    stations: Sequence[Station],
    opened: Iterable[str],
    linked: Iterable[str],
    served: Iterable[str],
    reasons: Mapping[str, str],
    running: Running,
    rules: Sequence[CautionRule],
    prices: CostSettings,
    cables: Mapping[str, CableClass] | None = None,
    nearby: Callable[[Device], Sequence[WireNearby]] = lambda _: (),
) -> tuple[Device, ...]:
    """Return all sensors, the devices of the plan, and each unused candidate once at its lowest height.

    Parameters
    ----------
    stations : sequence of Station
    opened, linked, served : iterable of str
        Keys of the opened candidates, of all ends of links that are written down, and of the sensors with a route.
    reasons : mapping
        Why a device is there, by key.
    running : Running
    rules : sequence of CautionRule
    prices : CostSettings
    cables : mapping, optional
        Tells which plugs fit a cable.
    nearby : callable, optional
        Tells which wires are too near to a device; said of every device, also of a candidate that the plan does not use.
    """
    opened_keys, served_keys = set(opened), set(served)
    must_show = opened_keys | set(linked)
    used_places = {(s.site.name, s.site.role) for s in stations if s.key in must_show}
    shown: dict[tuple[str, Role], None] = {}
    first: dict[str, Station] = {}
    radios: dict[str, dict[str, None]] = {}
    for station in stations:
        first.setdefault(station.key, station)
        radios.setdefault(station.key, {})[station.radio.name] = None
    sites = {(station.site.name, station.site.role): station.site.place_name for station in stations}
    shared = {place for place, rows in Counter(sites.values()).items() if rows > 1}
    devices = []
    for station in first.values():
        place = (station.site.name, station.site.role)
        sensor = station.site.role is Role.SENSOR
        in_plan = station.key in opened_keys or sensor
        if (
            not in_plan
            and station.key not in must_show
            and (place in used_places or place in shown or station.site.use is Use.FORBIDDEN or station.site.same_as)
        ):
            continue
        shown[place] = None
        device = Device(
            name=station.key,
            role=station.site.role,
            lon_deg=station.site.lon_deg,
            lat_deg=station.site.lat_deg,
            x_m=station.site.x_m,
            y_m=station.site.y_m,
            ground_amsl_m=station.ground_amsl_m,
            antenna_agl_m=station.antenna_agl_m,
            in_plan=in_plan,
            served=station.key in served_keys,
            purpose=station.site.purpose,
            importance=station.site.importance,
            power=station.site.power,
            antenna=station.antenna.name,
            cable=station.cable_key if station.cable_m else "",
            cable_m=station.cable_m,
            azimuth_deg=station.site.azimuth_deg,
            indoors=station.site.indoors,
            cost=prices.sensor if sensor else station.cost,
            radio=BETWEEN_RADIOS.join(radios[station.key]),
            height_assumed=station.site.height_assumed,
            interval_s=station.site.interval_s,
            payload_bytes=station.site.payload_bytes,
            reason=_reason(station, reasons),
            note=station.site.note,
            duty=running.duty.get(station.key),
            energy=running.energy.get(station.key),
            tilt_deg=station.site.tilt_deg,
            directional=station.antenna.is_directional,
            polarisation=station.polarisation,
            fittings=_fittings(station, cables or {}),
            site=station.site.name,
            backhaul=station.backhaul,
            place=station.site.place_name if station.site.place_name in shared else "",
            same_as=station.site.same_as,
        )
        wires = tuple(near.sentence for near in nearby(device))
        devices.append(replace(device, cautions=(*wires, *(cautions_for(device, rules) if in_plan else ()))))
    return tuple(devices)


def _reason(station: Station, reasons: Mapping[str, str]) -> str:
    reason = reasons.get(station.key, "")
    if not station.site.same_as or not reason:
        return reason
    return f"It is the sensor {station.site.same_as} itself, which forwards: no second device. {reason}"


def _fittings(station: Station, cables: Mapping[str, CableClass]) -> tuple[str, ...]:
    """Return plugs and adapters of a station's antenna line; none where nobody says what fits its cable."""
    has_cable = station.cable_m > 0.0
    series = cables[station.cable_key].connectors if station.cable_key in cables else ()
    if has_cable and not series:
        return ()
    arrester = has_cable and wants_arrester(station.antenna_agl_m, indoors=bool(station.site.indoors))
    return fittings(station.antenna.connector, series, has_cable=has_cable, has_arrester=arrester)
