"""Stations: a radio with its antenna at one height of one site."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from meshplan.records.antenna import AntennaClass
from meshplan.records.clutter import EndClutter
from meshplan.records.device import RunningCost
from meshplan.records.radio import RadioMode
from meshplan.records.site import Site

POLARISATION_DEG: Final = {"vertical": 0.0, "slant": 45.0, "horizontal": 90.0}


@dataclass(frozen=True)
class Station:
    """Everything a link needs to know of one end.

    `feed_loss_db` is cable and connectors, `box_loss_db` what surrounds the antenna, `noise_rise_db` local noise above the
    receiver's own. A station without `can_hear` or `can_speak` is one half of a one-way pair.
    """

    key: str
    site: Site
    antenna_agl_m: float
    radio: RadioMode
    antenna: AntennaClass
    cable_key: str
    cable_m: float
    feed_loss_db: float
    box_loss_db: float
    other_loss_db: float
    noise_rise_db: float
    tx_power_dbm: float
    cost: float
    inside: int = 0
    """Cover index of the building around the antenna, 0 in the open."""
    entry_loss_db: float = 0.0
    """Median loss of the wall around the antenna."""
    entry_spread_db: float = 0.0
    entry_source: str = ""
    clutter: EndClutter | None = None
    """What stands around the antenna and is in no layer: named for the site, or assumed on land that is not mapped."""
    polarisation: str = "vertical"
    """How the antenna stands, of `records.POLARISATIONS`."""
    lid_loss_db: float = 0.0
    """The part of it that closes round the antenna itself and stays when both ends stand in one building."""
    ground_amsl_m: float = 0.0
    running_costs: tuple[RunningCost, ...] = ()
    """What a gateway or relay costs a year, by cause."""
    backhaul: str = ""
    """Kind of way out of a gateway."""
    more_power_w: float = 0.0
    """What that way out draws all the time."""
    life_years: float = 0.0
    """Least life of a relay on its cells, whatever it forwards; 0 where it was not asked for."""
    lasts: bool = False
    """Whether that is as long as the user asks."""
    can_speak: bool = True
    can_hear: bool = True
    grid_north_deg: float = 0.0
    """True bearing of the grid's north where an antenna is aimed; see `terrain.geodesy.grid_north_deg`."""

    @property
    def grid_azimuth_deg(self) -> float | None:
        """Where the antenna points on the grid, which the bearings of profiles are counted on; None where it is not aimed."""
        return None if self.site.azimuth_deg is None else self.site.azimuth_deg - self.grid_north_deg

    @property
    def running_cost_per_year(self) -> float:
        """What a gateway or relay costs a year, in the currency of the prices."""
        return round(sum(cost.cost_per_year for cost in self.running_costs), 2)

    @property
    def local_loss_db(self) -> float:
        """Everything lost between the radio and the air outside, the same in both directions."""
        return self.feed_loss_db + self.box_loss_db + self.other_loss_db

    @property
    def polarisation_deg(self) -> float:
        """Angle of the antenna from upright."""
        return POLARISATION_DEG[self.polarisation]

    @property
    def eirp_dbm(self) -> float:
        """Power towards the horizon as from an isotropic antenna."""
        return self.tx_power_dbm + self.antenna.gain_dbi - self.local_loss_db

    @property
    def receive_gain_db(self) -> float:
        """Antenna gain towards the horizon less what is lost on the way to the receiver."""
        return self.antenna.gain_dbi - self.local_loss_db

    @property
    def sensitivity_dbm(self) -> float:
        """Power the receiver needs with the noise of its place."""
        return self.radio.sensitivity_dbm + self.noise_rise_db
