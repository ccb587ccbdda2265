"""What stands on each sheet, before it is drawn: the plan's fields turned to the view of one site."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from meshplan.explain.obstacles import BLOCKED
from meshplan.records import Device, HopRecord, Link, Plan, Purpose, Role
from meshplan.reporting.words import bearing, count, listing, metres, number, opposite, shortened

TEST_PACKETS: Final = 100
"""95 of 100 means a true rate between 89 and 98 % (95 % Wilson interval)."""

LONG_REASON: Final = 150
"""A longer reason names all who depend on the device; the sentence on its failure counts them."""

MOST_ROWS: Final = 10
"""Rows of the signal table that leave room for the profiles."""


NO_DIRECTION_BELOW_M: Final = 0.5
"""Nearer than this two antennas stand at one place: there is nowhere to look and no land between them."""
SAME_PLACE: Final = "same place"


@dataclass(frozen=True)
class Expected:
    """What to expect of one link in one season, seen from one site. Below `stop` something is likely to be wrong."""

    season: str
    here_dbm: float
    here_stop_dbm: float
    there_dbm: float
    there_stop_dbm: float
    spread_db: float


@dataclass(frozen=True)
class SheetLink:
    """A link seen from one of its ends."""

    link: Link
    peer: Device
    peer_sheet: int | None
    bearing_deg: float
    peer_antenna_agl_m: float
    seasons: tuple[Expected, ...]


@dataclass(frozen=True)
class SiteSheet:
    """All that one page shows."""

    number: int
    device: Device
    links: tuple[SheetLink, ...]
    """Weakest first."""
    part_of_plan: bool
    """Whether the links shown carry the plan; otherwise they are trials for a sensor that is not served."""
    charts: tuple[Link, ...]
    parts: tuple[str, ...]
    duties: tuple[str, ...]
    """What hangs on this device, in sentences."""
    pass_mark: str


@dataclass(frozen=True)
class WorkStep:
    """One link in the order of work."""

    link: Link
    sheets: tuple[int, ...]
    why: str


def site_sheets(plan: Plan) -> tuple[SiteSheet, ...]:
    """Return one sheet for each device of the plan and each sensor without a route: gateways, then hardest first."""
    shown = [device for device in plan.devices if device.in_plan or device.role is Role.SENSOR]
    ranked = sorted(shown, key=lambda device: (_rank(device), _weakest(plan, device)))
    numbers = {device.name: number for number, device in enumerate(ranked, start=1)}
    return tuple(_sheet(plan, device, numbers) for device in ranked)


def order_of_work(plan: Plan, sheets: Iterable[SiteSheet]) -> tuple[WorkStep, ...]:
    """Return the links of the plan, hardest first, so that a plan that fails fails before the rest is bought."""
    numbers = {sheet.device.name: sheet.number for sheet in sheets}
    ranked = sorted(plan.chosen_links, key=lambda link: (link.chance, link.margin_db))
    return tuple(
        WorkStep(
            link,
            tuple(sorted(numbers[name] for name in (link.a, link.b) if name in numbers)),
            link.clearance.obstacle if link.clearance.kind == BLOCKED else "".join(link.causes[:1]),
        )
        for link in ranked
    )


def look_words(entry: SheetLink) -> str:
    """Return where to look for the other end, and how far it is."""
    if entry.link.distance_m < NO_DIRECTION_BELOW_M:
        return SAME_PLACE
    return f"{number(entry.bearing_deg)}°, {metres(entry.link.distance_m)}"


def orientation_words(sheet: SiteSheet) -> str:
    """Return how the antenna of a site stands and where it points.

    A directional antenna without an azimuth is figured as if it pointed at each partner; it can point at one, the weakest is named.
    """
    device = sheet.device
    stance = "upright" if device.polarisation == "vertical" else device.polarisation
    tilt = f", tilted {'down' if device.tilt_deg > 0 else 'up'} {number(abs(device.tilt_deg), 1)}°".replace(".0°", "°")
    tilt = tilt if device.tilt_deg else ""
    if device.azimuth_deg is not None:
        return f"{stance}, aimed at {bearing(device.azimuth_deg)} from true north{tilt}"
    if not device.directional:
        return f"{stance}, all directions alike{tilt}"
    partners = [entry for entry in sheet.links if entry.link.distance_m >= NO_DIRECTION_BELOW_M] or list(sheet.links)
    if not partners:
        return f"{stance}, directional, not aimed yet"
    first = partners[0]
    direction = SAME_PLACE if first.link.distance_m < NO_DIRECTION_BELOW_M else f"{bearing(first.bearing_deg)} from true north"
    aimed = f"{stance}, aimed at its partner {shortened(first.peer.name, 28)}, {direction}"
    if len(sheet.links) == 1:
        return aimed
    others = count(len(sheet.links) - 1, "other link is", "other links are")
    return f"{aimed}; {others} figured as if it pointed there too: settle the azimuth"


def _rank(device: Device) -> int:
    return {Role.GATEWAY: 0, Role.RELAY: 1, Role.SENSOR: 1}[device.role]


def _weakest(plan: Plan, device: Device) -> tuple[float, float]:
    own = [(link.chance, link.margin_db) for link in plan.chosen_links if device.name in (link.a, link.b)]
    return min(own, default=(2.0, math.inf))


def _sheet(plan: Plan, device: Device, numbers: dict[str, int]) -> SiteSheet:
    chosen = [link for link in plan.chosen_links if device.name in (link.a, link.b)]
    trials = [] if chosen else _trial_links(plan, device)
    ranked = sorted(chosen or trials, key=lambda link: (link.chance, link.margin_db))
    all_seasons = sum(len(link.seasons) for link in ranked) <= MOST_ROWS
    return SiteSheet(
        number=numbers[device.name],
        device=device,
        links=tuple(_seen_from(plan, device, link, numbers, all_seasons=all_seasons) for link in ranked),
        part_of_plan=bool(chosen),
        charts=tuple(link for link in ranked if link.profile is not None)[:2],
        parts=_parts_of(plan, device),
        duties=_duties_of(plan, device),
        pass_mark=_pass_mark(plan, device),
    )


def _trial_links(plan: Plan, device: Device) -> list[Link]:
    """Return the best candidate links of a sensor without a route, the one the plan names first."""
    nearest = {gap.sensor: gap.nearest for gap in plan.unserved}.get(device.name)
    own = [link for link in plan.links if device.name in (link.a, link.b)]
    best = sorted(own, key=lambda link: (nearest not in (link.a, link.b), -link.chance, -link.margin_db))
    return best[:3]


def _seen_from(plan: Plan, device: Device, link: Link, numbers: dict[str, int], *, all_seasons: bool) -> SheetLink:
    outward = link.a == device.name
    peer = plan.device(link.b if outward else link.a)
    expected = []
    for result in link.seasons:
        if not (all_seasons or result.season == link.worst_season):
            continue
        here = result.received_at_a_dbm if outward else result.received_at_b_dbm
        there = result.received_at_b_dbm if outward else result.received_at_a_dbm
        spread = result.spread.total_db
        expected.append(Expected(result.season, here, here - spread, there, there - spread, spread))
    return SheetLink(
        link=link,
        peer=peer,
        peer_sheet=numbers.get(peer.name),
        bearing_deg=link.bearing_deg if outward else opposite(link.bearing_deg),
        peer_antenna_agl_m=link.antenna_b_agl_m if outward else link.antenna_a_agl_m,
        seasons=tuple(expected),
    )


def _parts_of(plan: Plan, device: Device) -> tuple[str, ...]:
    return tuple(line.part for line in plan.parts if device.name in line.devices and line.unit != "site")


def _duties_of(plan: Plan, device: Device) -> tuple[str, ...]:
    lost = plan.loses_service.get(device.name, ())
    sentences = [device.reason] if device.reason and not (lost and len(device.reason) > LONG_REASON) else []
    route = next((route for route in plan.routes if route.sensor == device.name), None)
    if route is not None:
        sentences.append(f"Its readings go {' → '.join(route.devices)}.")
        if route.second_devices:
            sentences.append(f"Second way: {' → '.join(route.second_devices)}.")
        elif route.second_note:
            sentences.append(f"Second way: {route.second_note}.")
        sentences += [_on_the_air(hop) for hop in route.hops[:1]]
    if device.place and device.place != device.site:
        sentences.append(f"It stands at the place of {device.place}: one mast, of which one device is used.")
    gap = next((gap for gap in plan.unserved if gap.sensor == device.name), None)
    if gap is not None:
        sentences.append(f"Not served by this plan: {gap.reason}.")
    for command in plan.commands:
        if command.device == device.name:
            better = next((f" Better: {option.sentence}" for option in command.options if option.fit), "")
            sentences.append(f"{command.sentence}{better}")
    if lost and device.role is not Role.SENSOR:
        shown = listing([shortened(name, 28) for name in lost], 5)
        sentences.append(f"If it fails, {count(len(lost), 'sensor loses', 'sensors lose')} service: {shown}.")
    return tuple(sentence[:1].upper() + sentence[1:] for sentence in sentences)


def _on_the_air(hop: HopRecord) -> str:
    """Return what one reading takes on the air from here."""
    confirmed = f"; confirmed in {number(hop.acknowledgement_ms, 1)} ms" if hop.acknowledgement_ms else ""
    return (
        f"A reading is {number(hop.airtime_ms, 1)} ms on the air ({number(hop.header_ms, 1)} of them header), sent "
        f"{number(hop.fast_mean_tries, 2)} times in the busiest hour{confirmed}."
    )


def network_notes(plan: Plan) -> tuple[str, ...]:
    """Return what the whole network should know before work begins: who hears no command in time, what a channel cannot carry."""
    deaf = [command.sentence for command in plan.commands if not command.fit]
    full = [channel.sentence for channel in plan.channels if not channel.stable]
    return (*full, *deaf, *([plan.better_radio] if plan.better_radio else []))


def first_cautions(plan: Plan) -> tuple[str, ...]:
    """Return the cautions of the whole plan, wires by name first; what that already says is not said twice."""
    if not plan.wires_note:
        return plan.cautions
    return (plan.wires_note, *(words for words in plan.cautions if words not in plan.wires_note))


def _pass_mark(plan: Plan, device: Device) -> str:
    """Return the pass mark of the most demanding reading that this device carries."""
    carried = {device.name, *(route.sensor for route in plan.routes if device.name in route.devices)}
    purposes = {one.purpose for one in plan.devices if one.name in carried and one.role is Role.SENSOR}
    if purposes & {Purpose.ALARM, Purpose.CONTROL}:
        return f"all {TEST_PACKETS} arrive, each within 3 tries (an alarm or switch hangs on it)"
    return f"95 or more of {TEST_PACKETS} arrive"
