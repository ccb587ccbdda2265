"""The nouns of meshplan: what is read, what a link is, what a plan says.

All are frozen; a plan holds everything that map, sheets and exports show.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Final

from meshplan.short_form import Facts, ShortForm, rounded_down
from meshplan.sources import Standing


class Role(StrEnum):
    """What a site is for."""

    SENSOR = "sensor"
    GATEWAY = "gateway"
    RELAY = "relay"


class Purpose(StrEnum):
    """What a reading is for: it decides how sure a link must be."""

    TREND = "trend"
    ALARM = "alarm"
    CONTROL = "control"


class Power(StrEnum):
    """What feeds a site."""

    MAINS = "mains"
    PANEL = "panel"
    BATTERY = "battery"


class Use(StrEnum):
    """What the user says about a candidate."""

    FREE = "free"
    FORCED = "forced"
    FORBIDDEN = "forbidden"


@dataclass(frozen=True)
class Site:
    """One place of the property: a sensor, or a candidate for a gateway or a relay.

    `x_m` and `y_m` are on the local metric grid. `where` names file and row for messages.
    """

    name: str
    role: Role
    lon_deg: float
    lat_deg: float
    x_m: float
    y_m: float
    antenna_agl_m: float
    height_assumed: bool = False
    mast_heights_agl_m: tuple[float, ...] = ()
    purpose: Purpose = Purpose.TREND
    importance: float = 1.0
    optional: bool = False
    power: Power = Power.BATTERY
    cost: float | None = None
    worth: float | None = None
    """What serving an optional sensor is worth, in the currency of the prices."""
    running_cost_per_year: float | None = None
    """What a candidate costs a year, where somebody knows."""
    backhaul: str | None = None
    """Kind of way out of a gateway, of the table of backhauls."""
    forwards: bool | None = None
    """Whether a sensor may forward for others; None for what its power allows."""
    same_as: str = ""
    """Relay candidates only: the sensor that this very device is."""
    payload_bytes: int = 12
    interval_s: float = 900.0
    fast_interval_s: float | None = None
    downlink_bytes: int | None = None
    """Size of a command to this place; None for none beyond what the purpose asks."""
    command_wait_s: float | None = None
    """Longest wait for a command to be carried out; None for the usual one of the purpose."""
    listening: str | None = None
    """How it listens for commands, of `LISTENING`; None for the usual way of its supply."""
    antenna: str | None = None
    azimuth_deg: float | None = None
    tilt_deg: float = 0.0
    """How far the antenna leans down from level; negative where it leans up."""
    cable: str | None = None
    cable_m: float | None = None
    indoors: str | None = None
    noise_rise_db: float | None = None
    extra_loss_db: float = 0.0
    surroundings: str | None = None
    """What stands around the antenna, taller than it, and is in no layer of the property."""
    clearing_m: float = 0.0
    """Way from the antenna to the first thing around it that is in no layer, where somebody measured it."""
    polarisation: str | None = None
    """How the antenna stands, of `POLARISATIONS`; None for as everywhere on the property."""
    use: Use = Use.FREE
    radio: str | None = None
    second_route: bool = False
    note: str = ""
    where: str = ""
    place: str = ""
    """Name of the physical place, shared by all candidates that stand there; empty for a place of its own."""

    @property
    def place_name(self) -> str:
        """The physical place: one mast, one device, one failure."""
        return self.place or self.name

    @property
    def heights_agl_m(self) -> tuple[float, ...]:
        """All antenna heights this site offers, lowest first."""
        return tuple(sorted({self.antenna_agl_m, *self.mast_heights_agl_m}))


LISTENING: Final = ("after report", "sampled", "always")
"""How a place listens for commands: in windows after its own reports, in short looks all the time, or without a break."""

POLARISATIONS: Final = ("vertical", "horizontal", "slant")
"""How a straight antenna stands: upright, lying, or leaning by 45 degrees."""

SURROUNDINGS: Final = ("open", "rural", "suburban", "urban", "dense_urban", "trees_forest")
"""Kinds of clutter that people may name for a site (ITU-R P.2108-1 §3.1, and its rural land with hedges and farms). Open ground
costs nothing here: the ground itself is charged to every link anyway."""


@dataclass(frozen=True)
class Cover:
    """Something that stands on the ground: a wood, hedge, crop, building or water.

    `geometry` is a shapely polygon on the local metric grid; lines come in widened to their width. `heights_by_month_m` has 12
    values, January first; without it `height_m` holds all year.
    """

    name: str
    kind: str
    geometry: Any
    height_m: float
    heights_by_month_m: tuple[float, ...] = ()
    wall: str | None = None
    row_azimuth_deg: float | None = None
    where: str = ""

    @property
    def is_building(self) -> bool:
        """Whether it stops radio like a solid body."""
        return self.kind == "building"

    def height_in_month_m(self, month: int) -> float:
        """Return the height in a month 1…12."""
        return self.heights_by_month_m[month - 1] if self.heights_by_month_m else self.height_m


@dataclass(frozen=True)
class Season:
    """A state of leaves, weather and crops that a link must survive."""

    name: str
    month: int
    in_leaf: bool
    wet: bool = False
    snow: bool = False


@dataclass(frozen=True)
class BudgetItem:
    """One line of a link budget. `value_db` is positive; `is_loss` says which way it counts. A power in dBm is a gain."""

    name: str
    value_db: float
    is_loss: bool
    source: str

    @property
    def signed_db(self) -> float:
        """The figure as it is added up."""
        return -self.value_db if self.is_loss else self.value_db


@dataclass(frozen=True)
class Clearance:
    """How clear a path is. Heights of obstacles are metres above the straight line between the antennas (negative: below)."""

    kind: str
    """"clear", "in the zone" (within the first Fresnel zone, below the line) or "blocked"."""
    first_fresnel_share: float
    """Least clearance as a share of the first Fresnel radius (1 is a whole zone clear, below 0 the line is blocked)."""
    clearance_m: float
    at_m: float
    obstacle: str
    sentence: str


@dataclass(frozen=True)
class Spread:
    """Standard deviations of a link's loss in dB, by cause."""

    model_db: float
    elevation_db: float
    vegetation_db: float
    soil_db: float
    antenna_db: float
    surroundings_db: float = 0.0
    """What stands around the ends and is in no layer."""

    @property
    def total_db(self) -> float:
        """All causes together, as independent errors."""
        far = self.model_db**2 + self.elevation_db**2 + self.vegetation_db**2 + self.soil_db**2 + self.antenna_db**2
        return math.sqrt(far + self.surroundings_db**2)


@dataclass(frozen=True)
class SeasonResult:
    """A link in one season. Margins are median power over sensitivity; the chance counts the fade margin and the spread."""

    season: str
    losses: tuple[BudgetItem, ...]
    path_loss_db: float
    received_at_b_dbm: float
    received_at_a_dbm: float
    margin_at_b_db: float
    margin_at_a_db: float
    spread: Spread
    chance: float


@dataclass(frozen=True)
class Remedy:
    """One change that would help: what to do, where, and what it gives."""

    change: str
    device: str
    gain_db: float
    chance_after: float
    suffices: bool
    raised_to_m: float | None = None
    """Height above ground that the antenna is to be raised to; None where the change is another."""
    above_roof: bool = False
    """Whether it then stands above the roof of the building it was in."""
    cautions: tuple[str, ...] = ()
    """Safety texts that go with the change."""


@dataclass(frozen=True)
class ProfileRecord:
    """The land between two antennas as the engine saw it, for charts. Heights without Earth curvature; equal spacing."""

    step_m: float
    ground_amsl_m: tuple[float, ...]
    cover_m: tuple[float, ...]
    cover_kind: tuple[int, ...]
    """Index into `Plan.cover_kinds`, 0 for open ground."""
    effective_earth_radius_km: float


@dataclass(frozen=True, repr=False)
class Link(ShortForm):
    """A link between two devices at given antenna heights, both ways, in every season."""

    key: str
    a: str
    b: str
    distance_m: float
    bearing_deg: float
    """From a to b, clockwise from true north."""
    frequency_mhz: float
    antenna_a_agl_m: float
    antenna_b_agl_m: float
    gains_a_to_b: tuple[BudgetItem, ...]
    gains_b_to_a: tuple[BudgetItem, ...]
    sensitivity_a_dbm: float
    sensitivity_b_dbm: float
    fade_margin_db: float
    seasons: tuple[SeasonResult, ...]
    worst_season: str
    first_failing_month: str
    """Empty if it holds in all months looked at."""
    clearance: Clearance
    chance: float
    """In the worst season and the weaker direction."""
    margin_db: float
    """Median margin in the worst season and the weaker direction."""
    required_margin_db: float
    verdict: str
    """One of `VERDICTS`."""
    sentence: str
    causes: tuple[str, ...]
    remedies: tuple[Remedy, ...] = ()
    profile: ProfileRecord | None = None
    chosen: bool = False
    notes: tuple[str, ...] = ()
    radio: str = ""
    """Key of the radio class at both ends."""

    def short_facts(self) -> Facts:
        """Return ends, length, chance and verdict."""
        return (
            ("a", self.a),
            ("b", self.b),
            ("distance_m", round(self.distance_m)),
            ("margin_db", round(self.margin_db, 1)),
            ("chance", rounded_down(self.chance)),
            ("verdict", self.verdict),
        )

    def season(self, name: str) -> SeasonResult:
        """Return the result of one season."""
        return next(result for result in self.seasons if result.season == name)


VERDICTS = ("ample", "good", "thin", "failing", "not sure")
"""Best first; "not sure" says that the data cannot tell."""

VERDICT_WORDS = {
    "ample": "works with room to spare",
    "good": "should work",
    "thin": "may work, test it before you rely on it",
    "failing": "will probably not work",
    "not sure": "the data cannot tell, measure it",
}


@dataclass(frozen=True)
class DutyRecord:
    """Airtime of one device in the busiest hour, against its limit."""

    airtime_ms_per_packet: float
    packets_per_hour: float
    duty_share: float
    duty_limit: float
    fast_duty_share: float
    channel_load: float
    lawful: bool
    rule: str
    preamble_ms: float = 0.0
    """What `airtime_ms_per_packet` is made of, for the longest reading it sends: preamble and frame, header, payload, check."""
    header_ms: float = 0.0
    payload_ms: float = 0.0
    check_ms: float = 0.0
    acknowledgement_ms: float = 0.0
    """One acknowledgement; 0 where none is sent."""
    acknowledgement_share: float = 0.0
    """Share of the hour that its acknowledgements take."""
    mean_tries: float = 1.0
    """Frames for each reading it sends on, repeats included."""
    fast_mean_tries: float = 1.0
    """The same in the busiest hour."""


@dataclass(frozen=True)
class HopRecord:
    """One hop of a route on the air: what a reading takes there, how often it is sent, what comes through."""

    sender: str
    receiver: str
    preamble_ms: float
    header_ms: float
    payload_ms: float
    check_ms: float
    acknowledgement_ms: float
    airtime_ms: float
    """One sending: the sum of the parts without the acknowledgement."""
    mean_tries: float
    fast_mean_tries: float
    """In the busiest hour."""
    clear_chance: float
    """That no other sender spoils a frame, in the busiest hour."""
    delivered_chance: float
    """That the hop delivers within its tries, in the busiest hour, mean over what is not known of the link."""


@dataclass(frozen=True)
class ChannelRecord:
    """What one frequency (and spreading factor) has to carry, repeats and acknowledgements included."""

    channel: str
    senders: int
    load: float
    """Share of time on the air."""
    fast_load: float
    """In the busiest hour."""
    overloaded_load: float
    """Where the busiest hour settles after a burst; as `fast_load` if the network comes back by itself."""
    stable: bool
    sentence: str


@dataclass(frozen=True)
class CommandOption:
    """One way for a device to hear commands, and what it costs."""

    listening: str
    change: str
    """What to write in the sites file."""
    wait_s: float
    """Longest time until a command is carried out and confirmed, all tries counted."""
    life_years: float
    """On its cells; infinite if it has none."""
    panel_w: float
    extra_cost: float
    fit: bool
    sentence: str


@dataclass(frozen=True)
class CommandRecord:
    """Whether a device that must act on command can: how it listens, how long a command takes, what would do better."""

    device: str
    purpose: str
    downlink_bytes: int
    most_wait_s: float
    wait_stated: bool
    """Whether the property states that wait; else it is the usual one of the purpose."""
    listening: str
    """"after report", "sampled", "always" or "never"."""
    wait_s: float
    delivered_chance: float
    """That a command arrives within its tries and is confirmed."""
    fit: bool
    sentence: str
    reasons: tuple[str, ...]
    must: tuple[str, ...]
    """What must be built in whatever the radio does."""
    options: tuple[CommandOption, ...]


@dataclass(frozen=True)
class EnergyRecord:
    """How long a device lasts, and what decides it."""

    supply: str
    battery: str
    life_years: float
    panel_w: float
    storage_wh: float
    dominant: str
    best_change: str
    cells_in_series: int = 0
    """0 where cells do not feed the device, or nothing is known of their voltage."""
    cells_in_parallel: int = 0
    regulator: str = ""
    """Regulator between cells and radio, where it is a part of its own."""
    capacitor_mf: float = 0.0
    """Capacitor beside the cells."""
    supply_words: str = ""
    """How cells, regulator and capacitor feed the device, or what shades its panel."""


RAISED_AGL_M: Final = 2.5
"""Above this a ladder or a mast is needed."""
TALL_AGL_M: Final = 5.0
"""Above this a mast needs guys."""


@dataclass(frozen=True)
class CautionRule:
    """A safety text and the devices it is for; `when` names a condition of `meshplan.operation.cautions`."""

    key: str
    when: str
    text: str
    source: str
    standing: Standing


@dataclass(frozen=True, repr=False)
class Device(ShortForm):
    """A site as the plan uses it (or could have used it)."""

    name: str
    role: Role
    lon_deg: float
    lat_deg: float
    x_m: float
    y_m: float
    ground_amsl_m: float
    antenna_agl_m: float
    in_plan: bool
    served: bool
    """Sensors only: whether it has a route."""
    purpose: Purpose
    importance: float
    power: Power
    antenna: str
    cable: str
    cable_m: float
    azimuth_deg: float | None
    indoors: str | None
    cost: float
    radio: str
    height_assumed: bool
    interval_s: float
    payload_bytes: int
    reason: str = ""
    """Why it is there: for a relay, who would be cut off without it."""
    note: str = ""
    duty: DutyRecord | None = None
    energy: EnergyRecord | None = None
    fittings: tuple[str, ...] = ()
    """Connectors and adapters of its antenna line, repeated where it needs several."""
    cautions: tuple[str, ...] = ()
    tilt_deg: float = 0.0
    """How far the antenna leans down from level; negative where it leans up."""
    directional: bool = False
    """Whether the antenna must be aimed; without an azimuth each link is figured as if it pointed at that partner."""
    polarisation: str = "vertical"
    """How the antenna stands."""
    site: str = ""
    """Name of the site in the property's files, where the device's own name says more."""
    backhaul: str = ""
    """Gateways only: kind of way out, of the table of backhauls."""
    place: str = ""
    """Name of the physical place where several rows or roles stand; only one device is used there."""
    same_as: str = ""
    """Relays only: the sensor that this very device is, where a sensor forwards for others."""

    def short_facts(self) -> Facts:
        """Return name, role, place and whether the plan uses it."""
        used = "served" if self.role is Role.SENSOR else "in_plan"
        return (
            ("name", self.name),
            ("role", self.role.value),
            ("lat_deg", round(self.lat_deg, 6)),
            ("lon_deg", round(self.lon_deg, 6)),
            ("antenna_agl_m", self.antenna_agl_m),
            (used, self.served if self.role is Role.SENSOR else self.in_plan),
        )


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
    delivered_chance: float | None = None
    """Share of readings that arrive in the busiest hour, all tries counted."""
    required_chance: float | None = None
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
class RunningCost:
    """What a gateway or relay costs a year, by cause."""

    device: str
    what: str
    cost_per_year: float
    origin: str


@dataclass(frozen=True)
class MapShape:
    """A cover or boundary outline in longitude and latitude, for drawing. Rings as (lon, lat), outer ring first."""

    kind: str
    name: str
    height_m: float
    rings: tuple[tuple[tuple[float, float], ...], ...]


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
    seasons: tuple[Season, ...]
    grid: GridRecord
    devices: tuple[Device, ...]
    links: tuple[Link, ...]
    """Links of the plan first, then the other candidates that were worth keeping."""
    routes: tuple[Route, ...]
    unserved: tuple[Unserved, ...]
    proof: Proof
    gateway_options: tuple[GatewayOption, ...]
    goes_dark: dict[str, tuple[str, ...]]
    """Sensors silenced when the named device fails."""
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


@dataclass(frozen=True)
class ComparisonRow:
    """One radio class at one setting, planned on the property."""

    radio: str
    """Class key and setting."""
    class_key: str
    setting: str
    title: str
    lawful: bool
    rule: str
    """The rule that allows it, or the refusal with the change that would comply."""
    frequency_mhz: float
    tx_power_dbm: float
    sensors: int
    served: int
    weakest_chance: float
    """Of the routes in the plan; 0 without any."""
    gateways: int
    relays: int
    cost: float
    """Gateways, relays and sensors, with the radios at the price of the class."""
    duty_share_of_limit: float
    """Busiest device in the busiest hour, as a share of its limit; above 1 is a breach."""
    channel_load: float
    battery_years: float
    """Of the sensor whose cell is empty first; infinite if none has a cell."""
    latency_s: float
    """Worst route with all tries."""
    wiring: str
    unfit_for: tuple[str, ...]
    """Purposes on this property that the class cannot serve, with the reason."""
    best_of_class: bool = False
    airtime_headroom: float = 0.0
    """Share of the tighter of duty limit and channel that is left in the busiest hour; negative if overdrawn."""
    condition: str = ""
    """What must be true for the rules to allow it, in one sentence; empty where nothing must."""
    to_answer_for: tuple[str, ...] = ()
    """Conditions of the rules that nobody answers for yet."""
    running_cost_per_year: float = 0.0
    """Data, mains power and cells of gateways and relays."""
    starved: int = 0
    """Sensors with a route on which collisions let fewer readings through than was asked."""


@dataclass(frozen=True)
class RangePoint:
    """One rate of a class and how far it carries, for each pair of antenna heights of its curve."""

    setting: str
    bit_rate_bps: float
    allowed_loss_db: float
    ranges_m: tuple[float, ...]
    """0 if not even a metre works; infinite beyond 100 km."""


@dataclass(frozen=True)
class RangeCurve:
    """Bit rate against range over flat open ground for one class, slowest rate first."""

    class_key: str
    title: str
    frequency_mhz: float
    tx_power_dbm: float
    margin_db: float
    heights_agl_m: tuple[tuple[float, float], ...]
    points: tuple[RangePoint, ...]


@dataclass(frozen=True, repr=False)
class Comparison(ShortForm):
    """All radio classes on one property."""

    property_name: str
    country: str
    rows: tuple[ComparisonRow, ...]
    recommendation: str
    chosen: str
    runner_up: str
    currency: str
    assumptions: tuple[str, ...]
    curves: tuple[RangeCurve, ...] = ()
    """Of the classes that the rules allow, at the power they allow."""

    def short_facts(self) -> Facts:
        """Return the class to take and the runner-up."""
        return (
            ("property", self.property_name),
            ("country", self.country),
            ("classes", len(self.rows)),
            ("chosen", self.chosen),
            ("runner_up", self.runner_up),
        )
