"""The profile that the sweep uses for one cell, laid out slowly, and its loss by the readable formulas."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshplan.loss.fast import RadioPath, Transmitter
from meshplan.propagation.diffraction import delta_bullington_loss_db
from meshplan.propagation.free_space import free_space_loss_db, slant_distance_m
from meshplan.propagation.ground import Ground
from meshplan.propagation.low_antenna import low_antenna_loss_db
from meshplan.units import EARTH_RADIUS_KM


@dataclass(frozen=True)
class OwnerRay:
    """The ray that owns a cell: line by line its fractional (row, column), exact where it meets a cell centre."""

    steps: int
    step_m: float
    first: tuple[NDArray[np.intp], NDArray[np.intp]]
    second: tuple[NDArray[np.intp], NDArray[np.intp]]
    share: NDArray[np.float64]

    def sample(self, raster: NDArray[np.float32]) -> NDArray[np.float64]:
        """Interpolate between the two cells of each line."""
        a, b = raster[self.first].astype(float), raster[self.second].astype(float)
        return np.where(self.share > 0.0, a + (b - a) * self.share, a)

    def nearest(self, raster: NDArray[np.uint16]) -> NDArray[np.uint16]:
        """Take the nearer cell of each line."""
        return np.where(self.share >= 0.5, raster[self.second], raster[self.first])


def owner_ray(shape: tuple[int, int], transmitter: Transmitter, row: int, column: int, cell_m: float) -> OwnerRay:
    """Find by trial the ray that passes within k/(2·edge) cells of a cell on line k."""
    down, right = row - transmitter.row, column - transmitter.column
    sideways = abs(right) >= abs(down)
    ahead, aside = (right, down) if sideways else (down, right)
    start, across = (transmitter.column, transmitter.row) if sideways else (transmitter.row, transmitter.column)
    length, width = (shape[1], shape[0]) if sideways else (shape[0], shape[1])
    edge = length - 1 - start if ahead > 0 else start
    k = abs(ahead)
    owners = [
        p
        for p in range(math.floor((aside - 0.5) * edge / k) - 1, math.ceil((aside + 0.5) * edge / k) + 2)
        if -k < 2 * (p * k - aside * edge) <= k
    ]
    assert len(owners) == 1, "every cell has one owner"
    p = owners[0]
    line = np.arange(k + 1)
    floor, rest = np.divmod(p * line, edge)
    low = np.clip(across + floor, 0, width - 1)
    high = np.clip(across + floor + (rest > 0), 0, width - 1)
    along = start + (1 if ahead > 0 else -1) * line
    first, second = ((low, along), (high, along)) if sideways else ((along, low), (along, high))
    return OwnerRay(k, cell_m * math.sqrt(1.0 + (p / edge) ** 2), first, second, rest / edge)


def excess_db(
    ray: OwnerRay,
    ground: NDArray[np.float64],
    obstacle: NDArray[np.float64],
    transmitter: Transmitter,
    receiver_agl_m: float,
    path: RadioPath,
) -> float:
    """Return the loss above free space by the readable formulas."""
    rule = low_antenna_loss_db if path.low_antenna_rule else delta_bullington_loss_db
    loss = rule(
        np.arange(ray.steps + 1) * ray.step_m,
        ground,
        obstacle,
        ground[0] + transmitter.antenna_agl_m,
        ground[-1] + receiver_agl_m,
        path.frequency_mhz,
        earth_radius_km=EARTH_RADIUS_KM * path.k_factor,
        polarisation=path.polarisation,
        ground=Ground(path.relative_permittivity, path.conductivity_s_per_m),
    )
    return float(loss.total_db)


def free_db(ray: OwnerRay, ground: NDArray[np.float64], transmitter: Transmitter, receiver_agl_m: float, path: RadioPath) -> float:
    """Return the free-space loss over the slant distance."""
    rise = ground[0] + transmitter.antenna_agl_m - ground[-1] - receiver_agl_m
    return float(free_space_loss_db(slant_distance_m(ray.steps * ray.step_m, rise), path.frequency_mhz))
