"""The plan: everything that map, sheets and exports show."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from meshplan.records.device import ChannelRecord, CommandRecord, Device, HopRecord, RunningCost
from meshplan.records.figures import figure
from meshplan.records.link import Link, Remedy
from meshplan.records.short_form import Facts, ShortForm, rounded_down
from meshplan.records.site import Role
from meshplan.records.utility import MapWire, WireNearby


@dataclass(frozen=True)
class SeasonRecord:
    """A state of leaves, weather and crops that a link must survive."""

    name: str
    month: int
    in_leaf: bool
    wet: bool = False
    snow: bool = False


LEAST_ARRIVING = 0.5
"""Share of readings that must arrive where the property asks nothing of whole routes (own choice)."""


def enough_arrives(delivered_chance: float | None, required_chance: float | None) -> bool:
    """Return whether the share of readings that arrive in the busiest hour is what was asked of the whole route."""
    return delivered_chance is None or delivered_chance >= (required_chance or LEAST_ARRIVING)


@dataclass(frozen=True)
class Route:
    """How a sensor reaches a gateway."""

    sensor: str
    devices: tuple[str, ...]
    """From the sensor to the gateway, both included."""
    links: tuple[str, ...]
    chance: float
    second_devices: tuple[str, ...] = ()
    second_links: tuple[str, ...] = ()
    latency_s: float | None = None
    second_note: str = ""
    """Where a second route is asked and none is given: why none is needed, or why there is none."""
    hops: tuple[HopRecord, ...] = ()
    """The first route on the air."""
    delivered_chance: float | None = figure("Readings that arrive in the busiest hour, share", None, on_map=False)
    """Share of readings that arrive in the busiest hour, all tries counted."""
    required_chance: float | None = figure("Least chance that is asked for", None, on_map=False)
    """Least chance of a whole route for what the sensor is for; None where only links are asked for."""

    @property
    def arrives(self) -> bool:
        """Whether repeats and collisions let as many readings through as was asked."""
        return enough_arrives(self.delivered_chance, self.required_chance)


@dataclass(frozen=True)
class Unserved:
    """A sensor without a route, or without the second one that was asked for: what is missing and what would mend it."""

    sensor: str
    nearest: str
    missing_db: float
    reason: str
    remedies: tuple[Remedy, ...]


@dataclass(frozen=True, repr=False)
class Proof(ShortForm):
    """How good the plan is, and who says so."""

    cost: float
    lower_bound: float
    gap: float
    optimal: bool
    sentence: str
    certified_bound: float
    certificate: dict[str, Any] = field(default_factory=dict)
    limits: dict[str, Any] = field(default_factory=dict)
    versions: dict[str, str] = field(default_factory=dict)
    stopped: str = ""
    """How the search ended: proven, time limit, iteration limit, or interrupted."""

    def short_facts(self) -> Facts:
        """Return cost and bound."""
        return (("cost", self.cost), ("certified_bound", self.certified_bound), ("optimal", self.optimal))


@dataclass(frozen=True)
class InputFile:
    """A file that a plan was made from, and the SHA-256 hash of its bytes."""

    name: str
    sha256: str


@dataclass(frozen=True)
class MadeWith:
    """What was asked for on top of the property's files, so that the plan can be made or checked again."""

    radio: str = ""
    """Radio class named in place of the one in property.toml; empty if none was."""
    settings: dict[str, Any] = field(default_factory=dict)
    """Settings in place of those in property.toml, by dotted key."""
    calibrated: bool = False
    airtime_factor: float = 1.0
    """Airtime that the search kept free for a reading, over what its usual repeats take; above 1 where a plan was too full."""


@dataclass(frozen=True)
class GatewayOption:
    """One way to choose gateways, for comparison."""

    gateways: tuple[str, ...]
    sensors_served: int
    cost: float
    weakest_chance: float
    sentence: str
    chosen: bool


@dataclass(frozen=True)
class LegalLine:
    """What the radio rules say about this plan."""

    subject: str
    lawful: bool
    rule: str
    detail: str
    remedy: str
    source: str
    standing: str
    as_of: str
    status: str = ""
    """lawful, conditional, accepted, not for data, refused, licensed, or not checked where no country was named."""
    verdict: str = ""
    """within, conditional, not allowed for data, or not within."""
    condition: str = ""
    """What must be true for it to hold, in one sentence; empty where nothing must."""
    to_answer_for: tuple[str, ...] = ()
    """Conditions that nobody answers for yet, as `radio_settings.accepts` names them."""


@dataclass(frozen=True)
class PartLine:
    """One line of the shopping list; `devices` traces it."""

    part: str
    quantity: float
    unit: str
    spares: float
    unit_cost: float | None
    devices: tuple[str, ...]


@dataclass(frozen=True)
class MapShape:
    """A cover or boundary outline in longitude and latitude, for drawing. Rings as (lon, lat), outer ring first."""

    kind: str
    name: str
    height_m: float
    rings: tuple[tuple[tuple[float, float], ...], ...]


@dataclass(frozen=True)
class CoverSource:
    """A source of what stands on the land, and the share of the land that it has."""

    source: str
    share_of_land: float


@dataclass(frozen=True)
class GridRecord:
    """The working grid, so that every figure can be traced to its cell."""

    crs: str
    cell_m: float
    columns: int
    rows: int
    west_m: float
    north_m: float
    elevation_error_m: float
    sentence: str
    rasters: tuple[str, ...]


@dataclass(frozen=True)
class RadioRecord:
    """The radio of the plan in the words of the catalogue."""

    key: str
    title: str
    frequency_mhz: float
    tx_power_dbm: float
    sensitivity_dbm: float
    bit_rate_bps: float
    bandwidth_khz: float
    modulation: str
    assumptions: tuple[str, ...]


@dataclass(frozen=True, repr=False)
class Plan(ShortForm):
    """Everything map, sheets and exports show. Same input, same record."""

    property_name: str
    country: str
    radio: RadioRecord
    seasons: tuple[SeasonRecord, ...]
    grid: GridRecord
    devices: tuple[Device, ...]
    links: tuple[Link, ...]
    """Links of the plan first, then the other candidates that were worth keeping."""
    routes: tuple[Route, ...]
    unserved: tuple[Unserved, ...]
    proof: Proof
    gateway_options: tuple[GatewayOption, ...]
    loses_service: dict[str, tuple[str, ...]]
    """Sensors that lose service when the named device fails."""
    legal: tuple[LegalLine, ...]
    parts: tuple[PartLine, ...]
    shapes: tuple[MapShape, ...]
    cover_kinds: tuple[str, ...]
    required_chance: float
    verdict_limits: dict[str, float]
    """Least chance of each verdict, so that no page has to know them."""
    currency: str
    assumptions: tuple[str, ...]
    unknowns: tuple[str, ...]
    cautions: tuple[str, ...]
    redundancy_prices: tuple[dict[str, Any], ...] = ()
    what_more_buys: tuple[str, ...] = ()
    """What one more hop or more money would change."""
    version: str = ""
    more_radios: tuple[RadioRecord, ...] = ()
    """Radio classes beside `radio` where places name their own."""
    not_mapped: str = ""
    """What land that no file shows was taken for, what that costs, and how to replace it; empty where everything is mapped."""
    single_routes: tuple[Unserved, ...] = ()
    """Served sensors without the second route that was asked for, and what would mend it."""
    made_with: MadeWith = MadeWith()
    inputs: tuple[InputFile, ...] = ()
    """Every file that was read."""
    channels: tuple[ChannelRecord, ...] = ()
    commands: tuple[CommandRecord, ...] = ()
    better_radio: str = ""
    """Another lawful class that serves more or needs fewer relays, with the command that shows it; empty if none was found."""
    horizon_years: float = 0.0
    """Years of running cost that count in `proof.cost` beside the price."""
    running_costs: tuple[RunningCost, ...] = ()
    """What the gateways and relays of the plan cost a year."""
    price: float = 0.0
    """What the gateways and relays of the plan cost to buy and put up."""
    running_cost_per_year: float = 0.0
    """What they cost a year, all together."""
    wires: tuple[MapWire, ...] = ()
    """Overhead wires and buried pipes that are mapped on the land."""
    wires_nearby: tuple[WireNearby, ...] = ()
    """Those that are too near to a device of the plan or to a candidate, the worst of each device first."""
    wires_note: str = ""
    """Which devices of the plan stand too near to a wire, by name; empty where none does on the map, which proves nothing."""
    credits: tuple[str, ...] = ()
    """Who must be named where the land is shown."""
    cover_sources: tuple[CoverSource, ...] = ()
    """Where what stands on the land is known from, the most trusted first."""

    def short_facts(self) -> Facts:
        """Return what is bought, who is served, and how sure that is."""
        used = [device.role for device in self.devices if device.in_plan]
        sensors = [device for device in self.devices if device.role is Role.SENSOR]
        return (
            ("property", self.property_name),
            ("radio", self.radio.key),
            ("gateways", used.count(Role.GATEWAY)),
            ("relays", used.count(Role.RELAY)),
            ("served", f"{sum(device.served for device in sensors)} of {len(sensors)}"),
            ("cost", f"{self.proof.cost:g} {self.currency}"),
            ("weakest_route", rounded_down(min((route.chance for route in self.routes), default=0.0))),
            ("optimal", self.proof.optimal),
        )

    def device(self, name: str) -> Device:
        """Return the device of that name."""
        return next(device for device in self.devices if device.name == name)

    def link(self, key: str) -> Link:
        """Return the link with that key."""
        return next(link for link in self.links if link.key == key)

    @property
    def complete(self) -> bool:
        """Whether every sensor has all that was asked for it."""
        return not self.unserved and not self.single_routes

    @property
    def lawful(self) -> bool:
        """Whether no device of the plan breaks a rule of the table."""
        return all(line.lawful for line in self.legal)

    @property
    def to_answer_for(self) -> tuple[str, ...]:
        """Conditions of the rules that the plan rests on and nobody answers for yet."""
        return tuple(dict.fromkeys(key for line in self.legal if line.lawful for key in line.to_answer_for))

    @property
    def commands_met(self) -> bool:
        """Whether every device with a stated wait hears its commands in time."""
        return all(command.fit or not command.wait_stated for command in self.commands)

    @property
    def starved(self) -> tuple[str, ...]:
        """Sensors that have a route on which collisions let fewer readings through than was asked."""
        return tuple(route.sensor for route in self.routes if not route.arrives)

    @property
    def chosen_links(self) -> tuple[Link, ...]:
        """The links that carry routes."""
        return tuple(link for link in self.links if link.chosen)
