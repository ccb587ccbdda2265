"""A site as the plan uses it, with its airtime, commands and supply."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from meshplan.records.short_form import Facts, ShortForm
from meshplan.records.site import Power, Purpose, Role
from meshplan.sources import Standing
from meshplan.units import plural


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
    battery_words: str = ""
    """One cell or battery in words; empty where only its key is known."""

    @property
    def cell(self) -> str:
        """One cell or battery in words."""
        return self.battery_words or self.battery.replace("-", " ").replace("_", " ")

    @property
    def cells(self) -> str:
        """Several of them in words."""
        return plural(self.cell) if self.battery_words else self.cell

    @property
    def no_cells_suit(self) -> bool:
        """Whether the cells that were asked for cannot feed the device, so that its supply is still to be chosen."""
        return self.supply == "battery" and not self.cells_in_series and not self.life_years > 0.0 and bool(self.supply_words)


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
    """Why it is there: for a relay, who would lose service without it."""
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


@dataclass(frozen=True)
class RunningCost:
    """What a gateway or relay costs a year, by cause."""

    device: str
    what: str
    cost_per_year: float
    origin: str
