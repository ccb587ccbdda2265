"""Antenna and cable classes, and what a node loses beside them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from meshplan.sources import Standing

NODE_LOSS_MHZ: Final = (433.0, 868.0, 2450.0)
"""Frequencies at which the table of node losses stands."""


@dataclass(frozen=True)
class AntennaClass:
    """A kind of antenna and what to plan with."""

    name: str
    title: str
    planning_gain_dbi: tuple[float, float, float]
    """Low, likely, high on a real node."""
    peak_gain_dbi: tuple[float, float]
    """What such antennas reach in the clear, lowest and highest."""
    pattern: str
    """"round", "sector" or "ball" (no direction is known)."""
    spread_db: float
    frequency_mhz: tuple[float, float]
    source: str
    standing: Standing
    horizontal_beamwidth_deg: float | None = None
    note: str = ""
    connector: str = ""
    """Series and gender, such as "N female"; empty on the board or where nobody says."""

    @property
    def gain_dbi(self) -> float:
        """The likely gain."""
        return self.planning_gain_dbi[1]

    @property
    def is_directional(self) -> bool:
        """Whether it has to be pointed."""
        return self.pattern == "sector"

    def serves(self, frequency_mhz: float) -> bool:
        """Whether it is made for that frequency."""
        return self.frequency_mhz[0] <= frequency_mhz <= self.frequency_mhz[1]


@dataclass(frozen=True)
class NodeLoss:
    """A loss of one node beyond its antenna; rows at `NODE_LOSS_MHZ`, each low, likely, high."""

    name: str
    title: str
    loss_db: tuple[tuple[float, float, float], ...]
    source: str
    standing: Standing

    def likely_db(self, frequency_mhz: float) -> float:
        """Return the likely loss, straight in the logarithm of frequency between the rows."""
        return float(np.interp(np.log(frequency_mhz), np.log(NODE_LOSS_MHZ), [row[1] for row in self.loss_db]))


@dataclass(frozen=True)
class CableClass:
    """A kind of coaxial cable; `points` are pairs of MHz and dB per metre."""

    name: str
    title: str
    points: tuple[tuple[float, float], ...]
    source: str
    standing: Standing
    range_note: str = ""
    connectors: tuple[str, ...] = ()
    """Series whose plugs fit it, the usual one first."""


@dataclass(frozen=True)
class CablePart:
    """Something in the run of a cable and its loss."""

    name: str
    title: str
    loss_db: float
    source: str
    standing: Standing
