"""Loss behind two screens by the Rayleigh-Sommerfeld integral from screen to screen: for tests, shares nothing with the package.

A line source, two half planes and a point above free space in two dimensions. Each screen lets pass what lies above its edge; the
field on the next one is the integral over it with the kernel sqrt(k / 2 pi r) cos(angle) exp(i k r - i pi / 4). Far above the edges
a smooth taper ends the integral.
"""

from __future__ import annotations

import numpy as np

SPEED_OF_LIGHT = 299.792458


def _heights(edge_m: float, reach_m: float, step_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Return heights above an edge and the weight of each: whole at first, then falling smoothly to nothing."""
    count = int(np.ceil(reach_m / step_m))
    above = (np.arange(count) + 0.5) * step_m
    taper = np.clip((above / reach_m - 0.45) / 0.55, 0.0, 1.0)
    return edge_m + above, step_m * np.cos(0.5 * np.pi * taper) ** 2


def two_screens_loss_db(
    first_m: tuple[float, float], second_m: tuple[float, float], start_m: float, end_m: tuple[float, float], mhz: float
) -> float:
    """Return the loss over free space from a source at (0, start) to a point past two screens, each (place, height of its edge)."""
    wavelength = SPEED_OF_LIGHT / mhz
    k = 2.0 * np.pi / wavelength
    step = wavelength / 5.0
    zone = np.sqrt(wavelength * max(first_m[0], 1.0))
    near, near_weight = _heights(first_m[1], max(14.0 * zone, 2.5 * (second_m[1] - first_m[1]) + 30.0 * wavelength, 25.0), step)
    middle = np.sqrt(wavelength * (second_m[0] - first_m[0]) * (end_m[0] - second_m[0]) / (end_m[0] - first_m[0]))
    far, far_weight = _heights(second_m[1], 10.0 * middle, max(step, middle / 80.0))

    def carried(x_m: float, z_from: np.ndarray, z_to: np.ndarray, field: np.ndarray) -> np.ndarray:
        found = np.zeros(len(z_to), dtype=complex)
        for start in range(0, len(z_to), 256):
            part = slice(start, start + 256)
            r = np.hypot(x_m, z_to[part, None] - z_from[None, :])
            kernel = np.sqrt(k / (2.0 * np.pi * r)) * (x_m / r) * np.exp(1j * (k * r - np.pi / 4.0))
            found[part] = kernel @ field
        return found

    r0 = np.hypot(first_m[0], near - start_m)
    at_first = np.exp(1j * k * r0) / np.sqrt(r0) * near_weight
    at_second = carried(second_m[0] - first_m[0], near, far, at_first) * far_weight
    there = carried(end_m[0] - second_m[0], far, np.array([end_m[1]]), at_second)[0]
    free = 1.0 / np.sqrt(np.hypot(end_m[0], end_m[1] - start_m))
    return float(-20.0 * np.log10(abs(there) / free))
