"""Every constant of the formulas in the page, from the one place where it stands with its source: the page holds none of its own.

Coefficients inside published equations are the equations themselves and stand in both forms; `tests/loss/golden` holds them
together.
"""

from __future__ import annotations

import math

from meshplan.explain.obstacles import CLEAR_SHARE
from meshplan.inputs.osm_utilities import wire_rules
from meshplan.links.link_table import SAMPLES_EXACT_TO
from meshplan.loss.antenna_gain import LEAST_RUN_M
from meshplan.propagation.antenna import DEEPEST_MISMATCH_DB, ROUND_SIDE_LOBES_K, SECTOR_K_H, SECTOR_K_P, SECTOR_K_V
from meshplan.propagation.diffraction import SMALLEST_HEIGHT_M
from meshplan.propagation.filled_zone import INNER_ZONE
from meshplan.propagation.free_space import NEAREST_DISTANCE_M
from meshplan.propagation.knife_edge import CLEAR_NU
from meshplan.propagation.vegetation import DEEPEST_DENSE_WOOD_M, MODEL_GAP_SHARE
from meshplan.terrain.profile import (
    FINEST_STEP_M,
    LEAST_SAMPLES,
    LEAST_SAMPLES_COARSE,
    LONGEST_STEP_M,
    MOST_FINE_STEPS,
    MOST_SAMPLES,
    STEPS_A_CELL,
)
from meshplan.units import EARTH_RADIUS_KM, SPEED_OF_LIGHT_M_PER_S


def page_figures() -> dict[str, float]:
    """Return the constants by the names that the page knows them by; what differs from plan to plan is in `PageEngine`."""
    return {
        "speed_of_light_m_per_s": SPEED_OF_LIGHT_M_PER_S,
        "metres_per_degree": math.radians(1.0) * EARTH_RADIUS_KM * 1000.0,
        "nearest_distance_m": NEAREST_DISTANCE_M,
        "smallest_height_m": SMALLEST_HEIGHT_M,
        "least_run_m": LEAST_RUN_M,
        "clear_nu": CLEAR_NU,
        "inner_zone": INNER_ZONE,
        "clear_share": CLEAR_SHARE,
        "deepest_dense_wood_m": DEEPEST_DENSE_WOOD_M,
        "model_gap_share": MODEL_GAP_SHARE,
        "deepest_mismatch_db": DEEPEST_MISMATCH_DB,
        "round_side_lobes_k": ROUND_SIDE_LOBES_K,
        "sector_k_p": SECTOR_K_P,
        "sector_k_h": SECTOR_K_H,
        "sector_k_v": SECTOR_K_V,
        "least_samples": LEAST_SAMPLES,
        "least_samples_coarse": LEAST_SAMPLES_COARSE,
        "most_samples": MOST_SAMPLES,
        "finest_step_m": FINEST_STEP_M,
        "most_fine_steps": MOST_FINE_STEPS,
        "steps_a_cell": STEPS_A_CELL,
        "longest_step_m": LONGEST_STEP_M,
        "samples_exact_to": SAMPLES_EXACT_TO,
        "wire_reach_m": wire_rules().reach_m,
        "wire_map_error_m": wire_rules().map_error_m,
    }
