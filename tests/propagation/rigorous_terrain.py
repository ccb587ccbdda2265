"""Two independent solutions for low antennas behind hills, to judge the rules by; the ground reflects all, turned over.

`four_rays_excess_db` is exact for one sharp screen on flat ground (direct and reflected rays at either side, each diffracted).
`parabolic_excess_db` marches the wave over any ground (split-step parabolic equation, wide-angle, stair-step terrain, absorbing
top), after the textbook method of Levy, "Parabolic equation methods for electromagnetic wave propagation" (2000).
"""

import numpy as np
from scipy.fft import dst, idst
from scipy.ndimage import gaussian_filter1d
from scipy.special import fresnel

SPEED = 299.792458


def half_plane(nu):
    """Field behind a screen as a share of the free field."""
    s, c = fresnel(nu)
    return 0.5 * (1 + 1j) * ((0.5 - c) - 1j * (0.5 - s))


def four_rays_excess_db(distance_m, screen_at_m, start_m, end_m, screen_m, frequency_mhz):
    wavelength = SPEED / frequency_mhz
    rest = distance_m - screen_at_m
    field = 0
    for side_start in (1, -1):
        for side_end in (1, -1):
            a, b = side_start * start_m, side_end * end_m
            line = (a * rest + b * screen_at_m) / distance_m
            nu = (screen_m - line) * np.sqrt(2 * distance_m / (wavelength * screen_at_m * rest))
            longer = ((a - b) ** 2 - (start_m - end_m) ** 2) / (2 * distance_m)
            field = field + side_start * side_end * np.exp(-2j * np.pi / wavelength * longer) * half_plane(nu)
    return -20 * np.log10(np.abs(field))


def flat_excess_db(distance_m, start_m, end_m, frequency_mhz):
    """Two rays over ground that reflects all, small angles."""
    return -20 * np.log10(2 * np.abs(np.sin(2 * np.pi * start_m * end_m / (SPEED / frequency_mhz * distance_m))))


def parabolic_excess_db(ground_m, step_m, start_m, end_m, frequency_mhz, *, cell_m=0.1):
    """Excess over free space for each row of ground heights; the ground as it was stepped comes back with it."""
    ground = np.vstack([np.full(ground_m.shape[1], 3.0), ground_m])  # the first row is flat and sets the scale
    top = max(150.0, 2.2 * ground.max() + 60.0)
    wavenumber = 2 * np.pi * frequency_mhz / SPEED
    count = int(top / cell_m) - 1
    z = cell_m * np.arange(1, count + 1)
    kz = np.pi / top * np.arange(1, count + 1)
    march = np.exp(1j * step_m * (np.sqrt(np.maximum(wavenumber**2 - kz**2, 0)) - wavenumber))
    march[kz > 0.6 * wavenumber] = 0
    absorb = np.exp(-0.06 * step_m * np.maximum((z - 0.65 * top) / (0.35 * top), 0) ** 2)
    stairs = np.round(ground / cell_m).astype(int)
    foot = (stairs[:, :1] * cell_m).astype(float)
    width = 0.9 * SPEED / frequency_mhz
    field = np.exp(-(((z - foot - start_m) / width) ** 2)) - np.exp(-(((z - foot + start_m) / width) ** 2)) + 0j
    number = np.arange(1, count + 1)
    for column in range(ground.shape[1]):
        if column:
            waves = march * (dst(field.real, type=1) + 1j * dst(field.imag, type=1))
            field = absorb * (idst(waves.real, type=1) + 1j * idst(waves.imag, type=1))
        field[number <= stairs[:, column : column + 1]] = 0
    received = [abs(np.interp(steps * cell_m + end_m, z, row)) for steps, row in zip(stairs[:, -1], field, strict=True)]
    distance = step_m * (ground.shape[1] - 1)
    excess = flat_excess_db(distance, start_m, end_m, frequency_mhz) + 20 * np.log10(received[0] / np.array(received[1:]))
    return excess, stairs[1:] * cell_m


def rolling_ground(random, rows, count, step_m, rms_m, length_m):
    """Smooth random hills of a stated size and correlation length."""
    noise = gaussian_filter1d(random.normal(size=(rows, count + 400)), length_m / step_m / np.sqrt(2), axis=1)[:, 200 : 200 + count]
    hills = noise / noise.std() * rms_m
    return hills - hills.min(axis=1, keepdims=True) + 2.0


def ridges(random, rows, count, step_m):
    """One bell-shaped ridge of 2–45 m on flat ground."""
    along = step_m * np.arange(count)
    height = 10 ** random.uniform(0.3, 1.65, (rows, 1))
    width = random.uniform(15, 110, (rows, 1))
    middle = random.uniform(0.3, 0.7, (rows, 1)) * along[-1]
    return 3.0 + height * np.exp(-(((along - middle) / width) ** 2))
