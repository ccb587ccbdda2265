"""Where the sun stands, what a panel gets of a mean winter day, and what a horizon takes of it."""

from __future__ import annotations

from dataclasses import dataclass
from math import acos, cos, degrees, pi, radians, sin, tan
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from meshplan.units import Array

SOLAR_CONSTANT_W_M2: Final = 1361.0
"""Total solar irradiance, rounded (IAU 2015 resolution B3)."""

GROUND_REFLECTS: Final = 0.2
"""Share that bare or grown ground throws back (common practice, no source; snow gives more)."""

TILT_ABOVE_LATITUDE_DEG: Final = 15.0
"""How panels for winter stand, as the sun table has them."""

BARE_CROWN_PASSES: Final = 0.5
"""Share of the beam that leafless trees and hedges let through (from memory, 0.4-0.8 are measured)."""

WORST_DAY: Final = {"north": 344, "south": 161}
"""Day that stands for the mean of December and June."""

CLEAR_TURBIDITY: Final = 3.0

_STEPS: Final = 96


@dataclass(frozen=True, eq=False)
class Horizon:
    """What stands around a panel: elevations at equal steps of azimuth, north first, clockwise; shape (n,)."""

    hard_deg: Array
    """Ground, buildings, evergreens: nothing passes."""
    bare_deg: Array
    """Leafless trees and hedges as well, where they stand higher."""

    @property
    def azimuth_deg(self) -> Array:
        """Azimuths from north, clockwise."""
        return np.arange(len(self.hard_deg)) * 360.0 / len(self.hard_deg)

    def passes(self, elevation_deg: ArrayLike, azimuth_deg: ArrayLike) -> Array:
        """Return the share of the beam that comes from a direction."""
        turned = np.asarray(azimuth_deg, dtype=float) % 360.0
        around, hard, bare = (
            np.append(values, last) for values, last in ((self.azimuth_deg, 360.0), (self.hard_deg, self.hard_deg[0]),
                                                         (self.bare_deg, self.bare_deg[0]))
        )  # fmt: skip
        high = np.asarray(elevation_deg, dtype=float)
        over_hard = high > np.interp(turned, around, hard)
        over_bare = high > np.interp(turned, around, bare)
        return np.asarray(np.where(over_bare, 1.0, np.where(over_hard, BARE_CROWN_PASSES, 0.0)))

    @property
    def sky_share(self) -> float:
        """Share of the diffuse light of an even sky: mean cos² of the horizon."""
        hard, bare = (float((np.cos(np.radians(np.maximum(each, 0.0))) ** 2).mean()) for each in (self.hard_deg, self.bare_deg))
        return bare + BARE_CROWN_PASSES * (hard - bare)


def declination_deg(day_of_year: ArrayLike) -> Array:
    """Return the sun's declination.

    Notes
    -----
    Source
        Fourier series of Spencer 1971 (Search 2(5)), in radians of the year's angle.
    Accuracy
        0.04° of the series itself; elevation within 0.45° of the full algorithm through a year.
    """
    b = 2.0 * np.pi * (np.asarray(day_of_year, dtype=float) - 1.0) / 365.0
    series = 0.006918 - 0.399912 * np.cos(b) + 0.070257 * np.sin(b) - 0.006758 * np.cos(2 * b) + 0.000907 * np.sin(2 * b)
    return np.asarray(np.degrees(series - 0.002697 * np.cos(3 * b) + 0.00148 * np.sin(3 * b)))


def equation_of_time_min(day_of_year: ArrayLike) -> Array:
    """Return solar less mean time in minutes; same source as `declination_deg`."""
    b = 2.0 * np.pi * (np.asarray(day_of_year, dtype=float) - 1.0) / 365.0
    series = 0.000075 + 0.001868 * np.cos(b) - 0.032077 * np.sin(b) - 0.014615 * np.cos(2 * b) - 0.040849 * np.sin(2 * b)
    return np.asarray(229.18 * series)


def solar_hour(utc_hour: float, lon_deg: float, day_of_year: int) -> float:
    """Return apparent solar time in hours, 12 when the sun stands in the meridian."""
    return utc_hour + lon_deg / 15.0 + float(equation_of_time_min(day_of_year)) / 60.0


def sun_position(lat_deg: float, day_of_year: int, solar_hours: ArrayLike) -> tuple[Array, Array]:
    """Return elevation and azimuth (from north, clockwise) of the sun's middle, without refraction.

    Notes
    -----
    Source
        Spherical triangle of pole, zenith and sun.
    """
    lat, dec = radians(lat_deg), radians(float(declination_deg(day_of_year)))
    angle = np.radians(15.0 * (np.asarray(solar_hours, dtype=float) - 12.0))
    up = np.sin(lat) * np.sin(dec) + np.cos(lat) * np.cos(dec) * np.cos(angle)
    east, north = -np.cos(dec) * np.sin(angle), np.cos(lat) * np.sin(dec) - np.sin(lat) * np.cos(dec) * np.cos(angle)
    return np.asarray(np.degrees(np.arcsin(np.clip(up, -1.0, 1.0)))), np.asarray(np.degrees(np.arctan2(east, north)) % 360.0)


def sunset_angle_rad(lat_deg: float, day_of_year: int) -> float:
    """Return the hour angle of sunset, 0 in polar night, π where the sun never sets."""
    return acos(min(1.0, max(-1.0, -tan(radians(lat_deg)) * tan(radians(float(declination_deg(day_of_year)))))))


def outside_kwh_m2(lat_deg: float, day_of_year: int) -> float:
    """Return what falls on level ground without an atmosphere in a day.

    Notes
    -----
    Source
        H0 = 24/π·S·(1 + 0.033·cos(2πn/365))·(cos φ cos δ sin ωs + ωs sin φ sin δ), textbook form.
    """
    lat, dec = radians(lat_deg), radians(float(declination_deg(day_of_year)))
    sunset = sunset_angle_rad(lat_deg, day_of_year)
    far = 1.0 + 0.033 * cos(2.0 * pi * day_of_year / 365.0)
    return 24.0 / pi * SOLAR_CONSTANT_W_M2 / 1000.0 * far * (cos(lat) * cos(dec) * sin(sunset) + sunset * sin(lat) * sin(dec))


def clear_beam_share(elevation_deg: ArrayLike) -> Array:
    """Return how much of the sun's beam reaches a surface that faces it through a clear sky, 0 below the horizon.

    Notes
    -----
    Source
        exp(−0.8662·TL·m·δ(m)) with Kasten's Rayleigh depth δ (1996) and the air mass m of Kasten and Young 1989 (Applied Optics
        28(22)); turbidity TL = 3, a clean winter day (common practice).
    """
    high = np.asarray(elevation_deg, dtype=float)
    up = np.maximum(high, 0.0)
    mass = 1.0 / (np.sin(np.radians(up)) + 0.50572 * (up + 6.07995) ** -1.6364)
    near = 6.6296 + 1.7513 * mass - 0.1202 * mass**2 + 0.0065 * mass**3 - 0.00013 * mass**4
    depth = 1.0 / np.where(mass <= 20.0, near, 10.4 + 0.718 * mass)
    return np.asarray(np.where(high > 0.0, np.exp(-0.8662 * CLEAR_TURBIDITY * mass * depth), 0.0))


def monthly_diffuse_share(clearness: float, sunset_rad: float) -> float:
    """Return the diffuse share of a month's light.

    Notes
    -----
    Source
        Erbs, Klein and Duffie 1982 (Solar Energy 28(4)): two cubic laws, by whether the sun sets before 81.4°.
    Valid for
        Clearness 0.3 to 0.8; held at the ends.
    """
    k = min(0.8, max(0.3, clearness))
    if degrees(sunset_rad) <= 81.4:
        return 1.391 - 3.560 * k + 4.189 * k**2 - 2.137 * k**3
    return 1.311 - 3.022 * k + 3.427 * k**2 - 1.821 * k**3


def panel_kwh_m2(lat_deg: float, day_of_year: int, clearness: float, horizon: Horizon | None = None) -> float:
    """Return what falls on a panel towards the equator, tilted by latitude and 15°, on a mean day.

    Parameters
    ----------
    clearness : float
        Light on level ground over that outside the atmosphere, the month's mean.
    horizon : Horizon, optional
        Without one the view is open.

    Notes
    -----
    Source
        Day into hours by Collares-Pereira and Rabl 1979 (all light) and Liu and Jordan 1960 (diffuse); tilted plane with an even
        sky (Liu and Jordan 1963). Of the beam counts what a clear day sends while the sun stands above the horizon, of the diffuse
        light cos² of the horizon.
    Accuracy
        Within 6 % of a library's days split hour by hour; what an even horizon leaves of a clear day within 6 % of it.
    """
    sunset = sunset_angle_rad(lat_deg, day_of_year)
    if sunset <= 0.0:
        return 0.0
    level = clearness * outside_kwh_m2(lat_deg, day_of_year)
    diffuse = level * monthly_diffuse_share(clearness, sunset)
    width = 2.0 * sunset / _STEPS
    angle = -sunset + width * (np.arange(_STEPS) + 0.5)
    day = (np.cos(angle) - cos(sunset)) / (sin(sunset) - sunset * cos(sunset)) * width / 2.0  # shares of the day's diffuse light
    a, b = 0.409 + 0.5016 * sin(sunset - pi / 3.0), 0.6609 - 0.4767 * sin(sunset - pi / 3.0)
    whole = (a + b * np.cos(angle)) * day
    whole /= whole.sum()
    day /= day.sum()
    high, azimuth = sun_position(lat_deg, day_of_year, 12.0 + np.degrees(angle) / 15.0)
    tilt = radians(min(90.0, abs(lat_deg) + TILT_ABOVE_LATITUDE_DEG))
    facing = 180.0 if lat_deg >= 0 else 0.0
    up = np.maximum(np.sin(np.radians(high)), 0.017)
    onto = np.sin(np.radians(high)) * cos(tilt) + np.cos(np.radians(high)) * sin(tilt) * np.cos(np.radians(azimuth - facing))
    beam = float((np.maximum(level * whole - diffuse * day, 0.0) * np.maximum(onto, 0.0) / up).sum())
    clear = clear_beam_share(high) * np.maximum(onto, 0.0)
    seen = 1.0 if horizon is None else float((clear * horizon.passes(high, azimuth)).sum() / clear.sum())
    sky = 1.0 if horizon is None else horizon.sky_share
    thrown_back = GROUND_REFLECTS * level * (1.0 - cos(tilt)) / 2.0
    return float(beam * seen + diffuse * sky * (1.0 + cos(tilt)) / 2.0 + thrown_back * sky)


def clearness_of(lat_deg: float, day_of_year: int, peak_sun_hours: float) -> float:
    """Return the clearness at which an open panel gets so many hours of full sun, between 0.1 and 0.75."""
    low, high = 0.1, 0.75
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if panel_kwh_m2(lat_deg, day_of_year, middle) < peak_sun_hours else (low, middle)
    return 0.5 * (low + high)


def winter_sun_share(lat_deg: float, horizon: Horizon, peak_sun_hours: float) -> float:
    """Return the share of the worst month's sun that a horizon leaves a panel, 0 to 1.

    Parameters
    ----------
    peak_sun_hours : float
        What the sun table gives an open panel: it settles how much of the light comes straight.
    """
    day = WORST_DAY["north" if lat_deg >= 0 else "south"]
    clearness = clearness_of(lat_deg, day, peak_sun_hours)
    free = panel_kwh_m2(lat_deg, day, clearness)
    return min(1.0, panel_kwh_m2(lat_deg, day, clearness, horizon) / free) if free > 0.0 else 1.0
