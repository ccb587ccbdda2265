"""Made-up ground for benchmarks and kernel tests: a spectral fractal of a stated slope, the same bytes for the same seed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def fractal_ground(size: int, *, cell_m: float = 5.0, rms_slope: float = 0.2, seed: int = 1) -> NDArray[np.float32]:
    """Return a square surface with a 1/f^2.2 amplitude spectrum, scaled to the stated rms slope between neighbours."""
    rng = np.random.default_rng(seed)
    fx = np.fft.rfftfreq(size)[None, :]
    fy = np.fft.fftfreq(size)[:, None]
    radius = np.hypot(fx, fy)
    radius[0, 0] = np.inf
    spectrum = radius**-2.2 * np.exp(2j * np.pi * rng.random(radius.shape))
    surface = np.fft.irfft2(spectrum, s=(size, size))
    gradient2 = np.mean(np.diff(surface, axis=0) ** 2) + np.mean(np.diff(surface, axis=1) ** 2)
    return np.asarray(surface * (rms_slope * cell_m / np.sqrt(gradient2)) + 200.0, dtype=np.float32)
