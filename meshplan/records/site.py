"""What people say of the places of a property: what a site is for, how it stands, what feeds it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


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
    clutter: str | None = None
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


CLUTTER_KINDS: Final = ("open", "rural", "suburban", "urban", "dense_urban", "trees_forest")
"""Kinds of clutter that people may name for a site (ITU-R P.2108-1 §3.1, and its rural land with hedges and farms). Open ground
costs nothing here: the ground itself is charged to every link anyway."""
