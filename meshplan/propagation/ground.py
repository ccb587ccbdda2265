"""Electrical constants of soil and water, and the two ways an antenna can be polarised."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from meshplan.errors import InputError, nearest_name
from meshplan.units import Array

Polarisation = Literal["vertical", "horizontal"]


@dataclass(frozen=True)
class Ground:
    """Relative permittivity and conductivity (S/m) of the ground, one value or one per link."""

    permittivity: float | Array
    conductivity_s_per_m: float | Array


REFERENCE_LAND: Final = Ground(22.0, 0.003)
"""Land of the diffraction methods (ITU-R P.526-16, P.1812-8)."""

SEA: Final = Ground(80.0, 5.0)
"""Sea water of the diffraction methods (ITU-R P.526-16, P.1812-8)."""

_POWER_LAWS: Final[dict[str, tuple[float, float, float, float]]] = {
    # ITU-R P.2040-3 table 3: permittivity a·f^b, conductivity c·f^d, f in GHz, given for 1–10 GHz; "wet" from memory.
    "very_dry": (3.0, 0.0, 0.00015, 2.52),
    "medium_dry": (15.0, -0.1, 0.035, 1.63),
    "wet": (30.0, -0.4, 0.15, 1.30),
}
GROUND_KINDS: Final = ("reference", "average", "sea", *_POWER_LAWS)


def ground_constants(kind: str, frequency_mhz: ArrayLike) -> Ground:
    """Return the constants of a kind of ground at a frequency.

    Parameters
    ----------
    kind : str
        "reference" (22, 0.003 S/m: the land of the published methods and the default), "average" (15, 0.005 S/m),
        "very_dry", "medium_dry", "wet" or "sea".
    frequency_mhz : array_like, any shape

    Notes
    -----
    Source
        reference and sea: ITU-R P.526-16; very_dry, medium_dry, wet: ITU-R P.2040-3 table 3 ("wet" from memory);
        average: handbook value as used for plane-earth tables, recalled.
    Valid for
        P.2040 gives 1–10 GHz. Below 1 GHz the permittivity of 1 GHz is kept (it hardly changes there, ITU-R P.527) and
        the conductivity follows its power law down; above 10 GHz both follow the power law.
    """
    if kind == "reference":
        return REFERENCE_LAND
    if kind == "average":
        return Ground(15.0, 0.005)
    if kind == "sea":
        return SEA
    if kind not in _POWER_LAWS:
        raise InputError(
            f"'{kind}' is not a kind of ground.{nearest_name(kind, GROUND_KINDS)}",
            where="argument 'kind'",
            fix=f"Use one of {', '.join(GROUND_KINDS)}.",
        )
    a, b, c, d = _POWER_LAWS[kind]
    gigahertz = np.asarray(frequency_mhz, dtype=float) / 1000.0
    return Ground(np.asarray(a * np.maximum(gigahertz, 1.0) ** b), np.asarray(c * gigahertz**d))


def check_polarisation(polarisation: str) -> bool:
    """Return whether the polarisation is vertical; anything but "vertical" and "horizontal" is an InputError."""
    if polarisation not in get_args(Polarisation):
        raise InputError(
            f"'{polarisation}' is not a polarisation.{nearest_name(polarisation, get_args(Polarisation))}",
            where="argument 'polarisation'",
            fix="Use vertical or horizontal.",
        )
    return polarisation == "vertical"
