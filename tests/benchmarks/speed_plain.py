"""First yardstick: one link at a time in plain Python, the equations as they are printed.

Nothing of meshplan is used here, so that both the speed and the numbers of the kernels have something to be held against.
Source of the equations: ITU-R P.526-16 §3.1.1, §3.2, §4.1, §4.5.1, §4.5.2 and P.1812-8 §4.3 (metres and
radians, GHz and km as marked); the plane-earth floor is the textbook form with the minimum effective height of the surface wave.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass

LIGHT_M_PER_US = 299.792458


@dataclass(frozen=True)
class PlainRadio:
    """What the formulas need besides the profile."""

    frequency_mhz: float = 868.0
    earth_radius_m: float = 6_371_000.0 * 4.0 / 3.0
    vertical: bool = True
    permittivity: float = 22.0
    conductivity_s_per_m: float = 0.003
    low_antenna: bool = True

    @property
    def wavelength_m(self) -> float:
        """Wavelength in free space."""
        return LIGHT_M_PER_US / self.frequency_mhz

    @property
    def least_height_m(self) -> float:
        """Minimum effective height of the surface wave."""
        if not self.low_antenna:
            return 0.0
        eta = complex(self.permittivity, -18000.0 * self.conductivity_s_per_m / self.frequency_mhz)
        delta = cmath.sqrt(eta - 1.0) / (eta if self.vertical else 1.0)
        return self.wavelength_m / (2.0 * math.pi * abs(delta))


def knife_edge_db(nu: float) -> float:
    """Return J(ν)."""
    if nu <= -0.78:
        return 0.0
    return 6.9 + 20.0 * math.log10(math.sqrt((nu - 0.1) ** 2 + 1.0) + nu - 0.1)


def bullington_db(x: Sequence[float], g: Sequence[float], hts: float, hrs: float, radio: PlainRadio) -> float:
    """Return the Bullington loss of one profile; with no point between the ends there is none."""
    total = x[-1]
    half = 0.5 / radio.earth_radius_m
    inner = range(1, len(x) - 1)
    if not inner:
        return 0.0
    lam = radio.wavelength_m
    slope = (hrs - hts) / total
    steepest = max((g[i] + half * x[i] * (total - x[i]) - hts) / x[i] for i in inner)
    if steepest < slope:
        nu = max(
            (g[i] + half * x[i] * (total - x[i]) - (hts * (total - x[i]) + hrs * x[i]) / total)
            * math.sqrt(2.0 * total / (lam * x[i] * (total - x[i])))
            for i in inner
        )
    else:
        back = max((g[i] + half * x[i] * (total - x[i]) - hrs) / (total - x[i]) for i in inner)
        at = (hrs - hts + back * total) / (steepest + back)
        nu = (hts + steepest * at - (hts * (total - at) + hrs * at) / total) * math.sqrt(2.0 * total / (lam * at * (total - at)))
    edge = knife_edge_db(nu)
    return edge + (1.0 - math.exp(-edge / 6.0)) * (10.0 + 0.02 * total / 1000.0)


def smooth_heights_m(x: Sequence[float], h: Sequence[float], hts: float, hrs: float) -> tuple[float, float]:
    """Return the antenna heights over the smooth line through the bare ground."""
    total = x[-1]
    v1 = v2 = 0.0
    for i in range(1, len(x)):
        step = x[i] - x[i - 1]
        v1 += step * (h[i] + h[i - 1])
        v2 += step * (h[i] * (2.0 * x[i] + x[i - 1]) + h[i - 1] * (x[i] + 2.0 * x[i - 1]))
    start = (2.0 * v1 * total - v2) / total**2
    end = (v2 - v1 * total) / total**2
    above = [(h[i] - (hts * (total - x[i]) + hrs * x[i]) / total, x[i]) for i in range(1, len(x) - 1)]
    if above and (worst := max(rise for rise, _ in above)) > 0.0:
        from_start = max(rise / at for rise, at in above)
        from_end = max(rise / (total - at) for rise, at in above)
        start -= worst * from_start / (from_start + from_end)
        end -= worst * from_end / (from_start + from_end)
    return hts - min(start, h[0]), hrs - min(end, h[-1])


def first_term_db(d: float, h1: float, h2: float, radius_m: float, radio: PlainRadio) -> float:
    """Return the first term of the diffraction series over a sphere (may be negative)."""
    f = radio.frequency_mhz / 1000.0
    a = radius_m / 1000.0
    lossy = (18.0 * radio.conductivity_s_per_m / f) ** 2
    k = 0.036 * (a * f) ** (-1.0 / 3.0) * ((radio.permittivity - 1.0) ** 2 + lossy) ** -0.25
    if radio.vertical:
        k *= math.sqrt(radio.permittivity**2 + lossy)
    beta = (1.0 + 1.6 * k**2 + 0.67 * k**4) / (1.0 + 4.5 * k**2 + 1.53 * k**4)
    x = 21.88 * beta * (f / a**2) ** (1.0 / 3.0) * d / 1000.0
    distance_term = 11.0 + 10.0 * math.log10(x) - 17.6 * x if x >= 1.6 else -20.0 * math.log10(x) - 5.6488 * x**1.425
    loss = -distance_term
    for h in (h1, h2):
        b = beta * 0.9575 * beta * (f * f / a) ** (1.0 / 3.0) * h
        gain = 17.6 * math.sqrt(b - 1.1) - 5.0 * math.log10(b - 1.1) - 8.0 if b > 2.0 else 20.0 * math.log10(b + 0.1 * b**3)
        loss -= max(gain, 2.0 + 20.0 * math.log10(k))
    return loss


def sphere_db(d: float, h1: float, h2: float, radio: PlainRadio) -> float:
    """Return the loss over a smooth sphere at any distance."""
    a = radio.earth_radius_m
    if d >= math.sqrt(2.0 * a) * (math.sqrt(h1) + math.sqrt(h2)):
        return max(first_term_db(d, h1, h2, a, radio), 0.0)
    c = (h1 - h2) / (h1 + h2)
    m = d * d / (4.0 * a * (h1 + h2))
    inside = max(-1.0, min(1.0, 1.5 * c * math.sqrt(3.0 * m / (m + 1.0) ** 3)))
    b = 2.0 * math.sqrt((m + 1.0) / (3.0 * m)) * math.cos(math.pi / 3.0 + math.acos(inside) / 3.0)
    d1 = 0.5 * d * (1.0 + b)
    d2 = d - d1
    clear = ((h1 - d1 * d1 / (2.0 * a)) * d2 + (h2 - d2 * d2 / (2.0 * a)) * d1) / d
    needed = 17.456 * math.sqrt(d1 / 1000.0 * d2 / 1000.0 * radio.wavelength_m / (d / 1000.0))
    if clear > needed:
        return 0.0
    flatter = 0.5 * (d / (math.sqrt(h1) + math.sqrt(h2))) ** 2
    return max((1.0 - clear / needed) * max(first_term_db(d, h1, h2, flatter, radio), 0.0), 0.0)


def smooth_ground_db(d: float, h1: float, h2: float, radio: PlainRadio) -> float:
    """Return the loss over the smooth line: sphere, and the plane earth where antennas are low."""
    floor = radio.least_height_m
    e1, e2 = math.hypot(h1, floor), math.hypot(h2, floor)
    loss = sphere_db(d, e1, e2, radio)
    if radio.low_antenna:
        phase = 2.0 * math.pi * e1 * e2 / (radio.wavelength_m * d)
        if phase < math.pi / 6.0:
            loss = max(loss, -20.0 * math.log10(2.0 * math.sin(phase)))
    return loss


def least_clearance(
    x: Sequence[float], g: Sequence[float], hts: float, hrs: float, radio: PlainRadio
) -> tuple[float, float, float]:
    """Return the least clearance of the line in radii of the first Fresnel zone, in metres, and its place from 0 to 1."""
    total = x[-1]
    half = 0.5 / radio.earth_radius_m
    least, least_m, place = math.inf, math.inf, 0.0
    for i in range(1, len(x) - 1):
        there, rest = x[i], total - x[i]
        clear_m = (hts * rest + hrs * there) / total - g[i] - half * there * rest
        clear = clear_m / math.sqrt(radio.wavelength_m * there * rest / total)
        if clear < least:
            least, least_m, place = clear, clear_m, there / total
    return least, least_m, place


@dataclass(frozen=True)
class PlainLoss:
    """The parts of one link."""

    free_space_db: float
    actual_db: float
    smooth_db: float
    ground_db: float
    diffraction_db: float
    clearance: tuple[float, float, float]

    @property
    def total_db(self) -> float:
        """Free space and diffraction."""
        return self.free_space_db + self.diffraction_db


def path_loss(
    x: Sequence[float],
    ground: Sequence[float],
    obstacle: Sequence[float],
    tx_agl_m: float,
    rx_agl_m: float,
    radio: PlainRadio,
) -> PlainLoss:
    """Return the parts of the loss of one profile: bare ground for the smooth line, obstacles for the edges."""
    total = x[-1]
    hts, hrs = ground[0] + tx_agl_m, ground[-1] + rx_agl_m
    slant = max(math.hypot(total, hts - hrs), radio.wavelength_m, 1.0)
    free = 20.0 * math.log10(4.0 * math.pi * slant / radio.wavelength_m)
    actual = bullington_db(x, obstacle, hts, hrs, radio)
    h1, h2 = smooth_heights_m(x, ground, hts, hrs)
    smooth = bullington_db(x, [0.0] * len(x), h1, h2, radio)
    over_ground = smooth_ground_db(total, h1, h2, radio)
    clearance = least_clearance(x, obstacle, hts, hrs, radio)
    return PlainLoss(free, actual, smooth, over_ground, actual + max(over_ground - smooth, 0.0), clearance)
