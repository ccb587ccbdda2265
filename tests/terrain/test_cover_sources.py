"""The share of the land by source of its cover, in the order of trust."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from landscapes import NORTH_M, WEST_M, make_landscape

from meshplan.records import Cover, Origin
from meshplan.terrain.cover_sources import BARE, IN_SURFACE, NOT_MAPPED, cover_shares
from meshplan.terrain.mapped_land import MappedLand


def box(west: float, north: float, east: float, south: float) -> shapely.Geometry:
    return shapely.box(WEST_M + west, NORTH_M - south, WEST_M + east, NORTH_M - north)


COVERS = (
    Cover("clearing", "grass", box(0, 0, 50, 100), 0.2),
    Cover("wood", "wood_deciduous", box(0, 0, 100, 100), 15.0, origin=Origin.MAPPED_USUAL),
    Cover("trees", "wood_deciduous", box(0, 0, 150, 100), 9.0, origin=Origin.CANOPY),
    Cover("tree cover", "wood_deciduous", box(0, 0, 200, 100), 30.0, origin=Origin.CLASSES),
)


def test_each_cell_has_one_source_and_the_most_trusted_comes_first() -> None:
    """Boxes of 50, 100, 150 and 200 m that lie over each other: each outranks the next, whatever its height."""
    landscape = make_landscape(np.full((20, 50), 100.0), 5.0, COVERS)
    assert cover_shares(landscape) == (
        (Origin.DRAWN.value, pytest.approx(0.2)),
        (Origin.MAPPED_USUAL.value, pytest.approx(0.2)),
        (Origin.CANOPY.value, pytest.approx(0.2)),
        (Origin.CLASSES.value, pytest.approx(0.2)),
        (BARE, pytest.approx(0.2)),
    )


def test_land_that_nothing_maps_is_no_bare_land() -> None:
    landscape = make_landscape(np.full((20, 50), 100.0), 5.0, COVERS)
    unmapped = replace(landscape, mapped=MappedLand((), "rural"))
    assert dict(cover_shares(unmapped))[NOT_MAPPED.format("rural")] == pytest.approx(0.2)


def test_measured_heights_and_growth_are_told_from_the_rest() -> None:
    surface = np.full((20, 50), 100.0, dtype=np.float32)
    surface[:, :10] += 8.0
    surface[:, 45:] += 6.0
    wood = replace(COVERS[1], geometry=box(0, 0, 50, 100))
    shares = dict(cover_shares(make_landscape(np.full((20, 50), 100.0), 5.0, (wood,), surface=surface)))
    assert shares == {
        Origin.SURFACE.value: pytest.approx(0.2),
        Origin.SEEN_ABOVE.value: pytest.approx(0.1),
        BARE: pytest.approx(0.7),
    }


def test_a_surface_model_alone_holds_all() -> None:
    ground = np.full((20, 50), 100.0)
    landscape = make_landscape(ground, 5.0, COVERS, surface=ground.astype(np.float32), ground_is_surface=True)
    assert cover_shares(landscape) == ((IN_SURFACE, 1.0),)
