"""What most of the time over elevation draws goes into, as compiled code: the phases of waves, and the extremes of drawn profiles.

Every operation rounds as its twin in numpy does (`error_fields`, `Lines`), so that the results are the same to the bit and a link
does not depend on how many are computed with it. No liberties are therefore taken with sums and products; the largest of some
numbers is the same in any order.
"""
# mypy: disable-error-code="no-untyped-def, untyped-decorator, call-arg, assignment"

from __future__ import annotations

import math

import numpy as np
from numba import njit

from meshplan.loss.fast.compiled_math import f32, larger

_LOW = f32(-np.inf)


@njit(cache=True, nogil=True, error_model="numpy")
def phases(x_a, y_a, turn_x, turn_y, vectors, phase, turn_high, turn_low, stride, coarse, fine):
    """Write the phases of waves along lines, less whole turns.

    Parameters
    ----------
    x_a, y_a, turn_x, turn_y : float64, shape (n_lines,)
        First end, and the way to the next sample.
    vectors, phase : float64, shape (n_waves, 2) and (n_waves,)
    turn_high, turn_low : float
        A whole turn in two parts.
    stride : float
        Samples from one number of `coarse` to the next.
    coarse, fine : float32, shape (n_lines, n, n_waves)
        Results: at every so many samples from the first end, and at each sample from there.
    """
    share = 0.5 / math.pi
    waves = len(phase)
    start = np.empty(waves)
    turn = np.empty(waves)
    for line in range(len(x_a)):
        for wave in range(waves):
            start[wave] = x_a[line] * vectors[wave, 0] + y_a[line] * vectors[wave, 1] + phase[wave]
            turn[wave] = turn_x[line] * vectors[wave, 0] + turn_y[line] * vectors[wave, 1]
        for i in range(coarse.shape[1]):
            row = coarse[line, i]
            for wave in range(waves):
                angle = turn[wave] * (stride * i) + start[wave]
                turns = np.floor(angle * share)
                row[wave] = f32((angle - turns * turn_high) - turns * turn_low)
        for i in range(fine.shape[1]):
            row = fine[line, i]
            for wave in range(waves):
                angle = turn[wave] * float(i)
                turns = np.floor(angle * share)
                row[wave] = f32((angle - turns * turn_high) - turns * turn_low)


@njit(cache=True, nogil=True, error_model="numpy")
def drawn_extremes(ground, roofs, errors, line_of, antennas, bulge, table, found):
    """Find the extremes of profiles with drawn height errors, as `Lines` does for each draw.

    Parameters
    ----------
    ground, roofs : float32, shape (n_paths, n_samples)
    errors : float32, shape (n_pairs, n_lines, n_samples)
    line_of : intp, shape (n_paths,)
        Line of each path in `errors`.
    antennas : float32, shape (n_paths, 2)
    bulge : float32, shape (n_paths,)
        Of the Earth, at the middle, times four.
    table : float32
        `shared_table`.
    found : float32, shape (2·n_pairs, 6, n_paths)
        Results of the draws as they are, then turned over: largest slopes from both ends and clearance over what stands there with
        the Earth's bulge, both slopes and height over bare ground without it.
    """
    pairs = errors.shape[0]
    n = ground.shape[1] - 1
    across, from_start, from_end, part = table[0], table[1], table[2], table[5]
    sag = np.empty(n + 1, dtype=np.float32)
    for path in range(len(line_of)):
        y = ground[path]
        roof = roofs[path]
        for i in range(n + 1):
            sag[i] = bulge[path] * (part[i] - part[i] * part[i])
        for pair in range(pairs):
            e = errors[pair, line_of[path]]
            up_a = (y[0] + e[0]) + antennas[path, 0]
            up_rise = ((y[n] + e[n]) + antennas[path, 1]) - up_a
            down_a = (y[0] - e[0]) + antennas[path, 0]
            down_rise = ((y[n] - e[n]) + antennas[path, 1]) - down_a
            u0 = u1 = u2 = u3 = u4 = u5 = _LOW
            d0 = d1 = d2 = d3 = d4 = d5 = _LOW
            for i in range(1, n):
                high = y[i] + e[i]
                chord = up_rise * part[i] + up_a
                over = (high + roof[i]) - (chord - sag[i])
                bare = high - chord
                u0 = larger(u0, over * from_start[i])
                u1 = larger(u1, over * from_end[i])
                u2 = larger(u2, over * across[i])
                u3 = larger(u3, bare * from_start[i])
                u4 = larger(u4, bare * from_end[i])
                u5 = larger(u5, bare)
                high = y[i] - e[i]
                chord = down_rise * part[i] + down_a
                over = (high + roof[i]) - (chord - sag[i])
                bare = high - chord
                d0 = larger(d0, over * from_start[i])
                d1 = larger(d1, over * from_end[i])
                d2 = larger(d2, over * across[i])
                d3 = larger(d3, bare * from_start[i])
                d4 = larger(d4, bare * from_end[i])
                d5 = larger(d5, bare)
            for row, up, down in ((0, u0, d0), (1, u1, d1), (2, u2, d2), (3, u3, d3), (4, u4, d4), (5, u5, d5)):
                found[pair, row, path] = up
                found[pairs + pair, row, path] = down
