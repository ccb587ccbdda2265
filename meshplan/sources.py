"""The documents that figures and formulas come from, and how well each figure is known."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Standing(StrEnum):
    """How a figure is known; NAMED, PRACTICE and MEMORY are shown to the user as "check"."""

    READ = "read"
    """Read in the source, or reproduced against its published numbers."""
    QUOTED = "quoted"
    """Read in a text that quotes or sums up the source and names its clause; weaker than READ."""
    NAMED = "named"
    """A named published source whose figure was recalled and not opened again."""
    DERIVED = "derived"
    """Computed here from a formula that is stated beside it."""
    PRACTICE = "practice"
    """Common practice, no source."""
    MEMORY = "memory"
    """From memory, no document."""
    STATED = "stated"
    """Stated by the user in the property folder."""

    @property
    def needs_check(self) -> bool:
        """Whether the output marks the figure "check"."""
        return self not in (Standing.READ, Standing.QUOTED, Standing.DERIVED, Standing.STATED)


@dataclass(frozen=True)
class Source:
    """A document: key used in the code, title and edition as a reader would look it up."""

    key: str
    title: str


_ALL = (
    Source("P.310", "ITU-R P.310, Definitions of terms relating to propagation in non-ionized media"),
    Source("P.341", "ITU-R P.341, The concept of transmission loss for radio links"),
    Source("P.372", "ITU-R P.372-17, Radio noise"),
    Source("P.452", "ITU-R P.452-18, Prediction procedure for interference between stations on the surface of the Earth"),
    Source("P.525", "ITU-R P.525-4, Calculation of free-space attenuation"),
    Source("P.526", "ITU-R P.526-16, Propagation by diffraction"),
    Source("P.527", "ITU-R P.527, Electrical characteristics of the surface of the Earth"),
    Source("P.530", "ITU-R P.530-19, Propagation data for terrestrial line-of-sight systems"),
    Source("P.833", "ITU-R P.833-10, Attenuation in vegetation"),
    Source("P.834", "ITU-R P.834, Effects of tropospheric refraction on radiowave propagation"),
    Source("P.1238", "ITU-R P.1238, Propagation data for indoor radiocommunication systems"),
    Source("P.1411", "ITU-R P.1411-13, Propagation data for short-range outdoor systems"),
    Source("P.1546", "ITU-R P.1546-6, Point-to-area predictions, 30 MHz to 4 000 MHz"),
    Source("P.1812", "ITU-R P.1812-8, Path-specific propagation prediction, 30 MHz to 6 000 MHz"),
    Source("P.2040", "ITU-R P.2040-4, Effects of building materials and structures above about 100 MHz"),
    Source("P.2108", "ITU-R P.2108-1, Prediction of clutter loss"),
    Source("P.2109", "ITU-R P.2109, Prediction of building entry loss"),
    Source("F.1336", "ITU-R F.1336-5, Reference radiation patterns of omnidirectional and sectoral antennas"),
    Source("BS.561", "ITU-R BS.561, Definitions of radiation in LF, MF and HF broadcasting bands"),
    Source("Y.4480", "ITU-T Y.4480, Low power protocol for wide area wireless networks"),
)

SOURCES: Final[dict[str, Source]] = {source.key: source for source in _ALL}


def cite(key: str) -> str:
    """Return the full title behind a key; an unknown key is returned as it stands."""
    return SOURCES[key].title if key in SOURCES else key
