"""What a kernel must know of radio, air and soil, worked out once and handed over as plain numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from meshplan.errors import InputError
from meshplan.units import EARTH_RADIUS_KM, SPEED_OF_LIGHT_M_PER_S

Polarisation = Literal["vertical", "horizontal"]


class Terms(NamedTuple):
    """Numbers that compiled code reads; every one is a float.

    `admittance` is the part of K (P.526 §3.1.1) that does not depend on the Earth radius, `cube_root_f` the cube root of the
    frequency in GHz, `least_height_m` the minimum effective height of the surface wave (0 switches the floor off),
    `plane` 1.0 where the plane-earth loss is the lower bound of the smooth loss, else 0.0.
    """

    wavelength_m: float
    earth_radius_m: float
    admittance: float
    cube_root_f: float
    least_height_m: float
    plane: float


@dataclass(frozen=True)
class RadioPath:
    """Radio, air and soil of one computation.

    Parameters
    ----------
    frequency_mhz : float
    k_factor : float
        Effective Earth radius factor.
    polarisation : {"vertical", "horizontal"}
    relative_permittivity, conductivity_s_per_m : float
        Of the ground; the defaults are the land of P.526.
    low_antenna_rule : bool
        True: smooth loss is the larger of sphere and plane earth with the surface-wave floor. False: plain delta-Bullington.
    """

    frequency_mhz: float
    k_factor: float = 4.0 / 3.0
    polarisation: Polarisation = "vertical"
    relative_permittivity: float = 22.0
    conductivity_s_per_m: float = 0.003
    low_antenna_rule: bool = True

    def __post_init__(self) -> None:
        for name in ("frequency_mhz", "k_factor", "relative_permittivity"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0.0):
                raise InputError(f"{value} is not a usable {name}", where=name, fix="Give a number above zero.")
        if not (math.isfinite(self.conductivity_s_per_m) and self.conductivity_s_per_m >= 0.0):
            raise InputError(
                f"{self.conductivity_s_per_m} is not a usable conductivity",
                where="conductivity_s_per_m",
                fix="Give zero or a number above zero.",
            )

    @property
    def terms(self) -> Terms:
        """The numbers behind the formulas.

        Notes
        -----
        Source
            ITU-R P.526-16 §3.1.1 (K for both polarisations); the least height λ/(2π|Δ|) with Δ = sqrt(η−1)/η (vertical) or
            sqrt(η−1) (horizontal), η = εr − j·18000σ/f, is the textbook surface-wave floor.
        """
        wavelength = SPEED_OF_LIGHT_M_PER_S / (self.frequency_mhz * 1e6)
        f_ghz = self.frequency_mhz / 1000.0
        lossy = (18.0 * self.conductivity_s_per_m / f_ghz) ** 2
        admittance = 0.036 * f_ghz ** (-1.0 / 3.0) * ((self.relative_permittivity - 1.0) ** 2 + lossy) ** -0.25
        eta = complex(self.relative_permittivity, -18000.0 * self.conductivity_s_per_m / self.frequency_mhz)
        delta = abs(eta - 1.0) ** 0.5
        if self.polarisation == "vertical":
            admittance *= (self.relative_permittivity**2 + lossy) ** 0.5
            delta /= abs(eta)
        floor = wavelength / (2.0 * math.pi * delta) if self.low_antenna_rule else 0.0
        return Terms(
            wavelength_m=wavelength,
            earth_radius_m=EARTH_RADIUS_KM * 1000.0 * self.k_factor,
            admittance=admittance,
            cube_root_f=f_ghz ** (1.0 / 3.0),
            least_height_m=floor,
            plane=1.0 if self.low_antenna_rule else 0.0,
        )


class Origin(NamedTuple):
    """A transmitter as the sweep wants it, and its receivers.

    It stands `row_off` and `column_off` cells beside the middle of its cell, on ground at `ground_amsl_m`; where several are
    compared, `handicap_db` is added and `number` written.
    """

    row: int
    column: int
    row_off: float
    column_off: float
    ground_amsl_m: float
    cell_m: float
    tx_agl_m: float
    rx_agl_m: float
    handicap_db: float
    number: int


class Rasters(NamedTuple):
    """What a sweep writes: the loss, and of the others those that have the shape of the ground."""

    loss: NDArray[np.float32]
    terrain: NDArray[np.float32]
    covered: NDArray[np.float32]
    smooth: NDArray[np.float32]
    plants_spread: NDArray[np.float32]
    server: NDArray[np.int16]
