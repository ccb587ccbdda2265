"""How far each rate of a class carries over flat open ground: the yardstick that data sheets leave out."""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot
from typing import Final

import numpy as np

from meshplan.operation.rate_range import LossFunction, rate_range_curve
from meshplan.propagation.free_space import free_space_loss_db
from meshplan.propagation.noise import usual_noise_rise_db
from meshplan.propagation.two_ray import minimum_effective_height_m, plane_ground_excess_db
from meshplan.records import RangeCurve, RangePoint
from meshplan.records.radio import RadioClass, RadioMode, radio_mode
from meshplan.units import Array

YARDSTICK_HEIGHTS_M: Final = ((0.5, 2.0), (1.0, 5.0), (2.0, 10.0))
"""Antenna heights of sensor and gateway: in the crop to a post, a post to a gable, a pole to a mast."""

YARDSTICK_MARGIN_DB: Final = 15.0
"""Margin over the design sensitivity that a planned link keeps (common practice, no source)."""


def open_ground_loss(frequency_mhz: float, one_agl_m: float, other_agl_m: float) -> LossFunction:
    """Return the loss over flat open ground between two vertical antennas as a function of distance.

    Notes
    -----
    Source
        Free space and the plane ground of `propagation.two_ray`, with the surface-wave floor of low antennas.
    Valid for
        Up to some 10 km: the Earth is flat here, nothing stands on it.
    """
    lowest_m = float(minimum_effective_height_m(frequency_mhz, polarisation="vertical"))
    one_m, other_m = hypot(one_agl_m, lowest_m), hypot(other_agl_m, lowest_m)

    def loss_db(distance_m: Array) -> Array:
        plain_db = free_space_loss_db(distance_m, frequency_mhz)
        return np.asarray(plain_db + plane_ground_excess_db(distance_m, one_m, other_m, frequency_mhz))

    return loss_db


def range_curve(modes: Sequence[RadioMode]) -> RangeCurve:
    """Return bit rate against range for the settings of one class, slowest first, at the power and frequency of the modes.

    Both ends have the class's own antenna and the usual noise of the countryside.
    """
    first = modes[0]
    noise_db = float(usual_noise_rise_db(first.frequency_mhz, near_buildings=False))
    columns = [
        rate_range_curve(
            modes,
            open_ground_loss(first.frequency_mhz, *heights_m),
            margin_db=YARDSTICK_MARGIN_DB,
            noise_rise_db=noise_db,
        )
        for heights_m in YARDSTICK_HEIGHTS_M
    ]
    points = tuple(
        RangePoint(
            setting=row[0].name,
            bit_rate_bps=row[0].bit_rate_bps,
            allowed_loss_db=row[0].allowed_loss_db,
            ranges_m=tuple(cell.range_m for cell in row),
        )
        for row in zip(*columns, strict=True)
    )
    return RangeCurve(
        class_key=first.class_key,
        title=first.radio.title,
        frequency_mhz=first.frequency_mhz,
        tx_power_dbm=max(mode.tx_power_dbm for mode in modes),
        margin_db=YARDSTICK_MARGIN_DB,
        heights_agl_m=YARDSTICK_HEIGHTS_M,
        points=points,
    )


def range_curve_of_class(radio: RadioClass) -> RangeCurve:
    """Return bit rate against range for all settings of a class at its own default power and frequency."""
    return range_curve([radio_mode({radio.key: radio}, radio.key, setting=setting.name) for setting in radio.settings])
