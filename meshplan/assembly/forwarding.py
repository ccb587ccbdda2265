"""Sensors that forward: one radio on the air, although the plan has it twice, as the sensor and as the relay that it also is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace

from meshplan.operation.duty_cycle import AirtimeShare, DeviceAirtime
from meshplan.records.station import Station


def shared_airtimes(airtimes: Mapping[str, DeviceAirtime], senders: Mapping[str, Station]) -> dict[str, DeviceAirtime]:
    """Return the airtimes with those of a forwarding sensor and of the relay that it is added up, under both names.

    Parameters
    ----------
    airtimes : mapping
        By the name of the radio.
    senders : mapping
        Stations by the name of the radio.

    Notes
    -----
    Source
        The duty of a device covers all its transmissions (ERC/REC 70-03): its own readings and what it forwards.
    """
    found = dict(airtimes)
    sensors = {station.key: name for name, station in senders.items() if not station.site.same_as}
    for name, station in senders.items():
        own = sensors.get(station.site.same_as)
        if own is not None:
            found[own] = replace(_together(airtimes[own], airtimes[name]), name=own)
            found[name] = replace(found[own], name=name)
    return found


def _together(one: DeviceAirtime, other: DeviceAirtime) -> DeviceAirtime:
    per_s = 1.0 / one.shortest_interval_s + 1.0 / other.shortest_interval_s
    return replace(
        one,
        airtime_ms_per_packet=max(one.airtime_ms_per_packet, other.airtime_ms_per_packet),
        longest_packet_ms=max(one.longest_packet_ms, other.longest_packet_ms),
        shortest_interval_s=1.0 / per_s if per_s else float("inf"),
        normal=_sum(one.normal, other.normal),
        fast=_sum(one.fast, other.fast),
    )


def _sum(one: AirtimeShare, other: AirtimeShare) -> AirtimeShare:
    return AirtimeShare(**{item.name: getattr(one, item.name) + getattr(other, item.name) for item in fields(AirtimeShare)})
