"""What stands on the land from a surface less the ground: only where both are alike, with both errors, never on top of one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
from numpy.typing import NDArray
from osm_extract import Extract
from rasterio.transform import from_origin
from small_property import CELL_M, SIZE_M, SOUTH_M, WEST_M, bank, lay_small_property, write_raster

from meshplan.errors import InputError
from meshplan.inputs.property import read_property
from meshplan.records import Cover, Origin
from meshplan.terrain.landscape import Landscape, build_landscape

EXACT = 'elevation = [{file = "ground.tif", error_m = 0.2}, {file = "surface.tif", holds = "surface", error_m = 0.3}]\n'


def with_surface(folder: Path, surface: NDArray[np.float32], settings: str = EXACT, **raster: object) -> Path:
    """Lay the small property with a surface beside its ground."""
    lay_small_property(folder, settings="terrain.margin_m = 300\n" + settings)
    text = (folder / "property.toml").read_text(encoding="utf-8").replace('elevation = "ground.tif"\n', "")
    (folder / "property.toml").write_text(text, encoding="utf-8")
    write_raster(folder / "surface.tif", surface, **raster)
    return folder


def stood_on(*things: tuple[float, float, float, float, float]) -> NDArray[np.float32]:
    """Return the bank with boxes (west, south, east, north in metres, height) on it."""
    heights = bank()
    for west, south, east, north, height_m in things:
        rows = slice(round((SIZE_M - north) / CELL_M), round((SIZE_M - south) / CELL_M))
        heights[rows, round(west / CELL_M) : round(east / CELL_M)] += np.float32(height_m)
    return heights


def land(folder: Path) -> Landscape:
    found = read_property(folder)
    return build_landscape(found.elevation, found.covers)


def cover_of(landscape: Landscape, x: float, y: float) -> Cover | None:
    column, row = landscape.grid.column_row(WEST_M + x, SOUTH_M + y)
    number = int(landscape.cover_index[round(float(row)), round(float(column))])
    return landscape.covers[number - 1] if number else None


def test_polygons_without_a_height_take_the_measured_one_and_the_rest_is_growth(tmp_path: Path) -> None:
    """A house of 6.5 m and a wood of 9 m that state none, a tagged one that does, and 4 m of growth that nobody mapped."""
    things = ((100, 100, 130, 120, 6.5), (400, 400, 500, 500, 9.0), (300, 100, 340, 140, 4.0), (20, 20, 50, 50, 7.0))
    folder = with_surface(tmp_path, stood_on(*things))
    made = Extract()
    made.box(100, 100, 130, 120, {"building": "house"})
    made.box(400, 400, 500, 500, {"natural": "wood"})
    made.box(20, 20, 50, 50, {"building": "yes", "height": "8"})
    made.write(folder / "cover.osm")
    landscape = land(folder)
    house, wood, growth = (cover_of(landscape, x, y) for x, y in ((115, 110), (450, 450), (320, 120)))
    assert house is not None
    assert (house.kind, house.height_m, house.origin) == ("building", pytest.approx(6.5, abs=0.01), Origin.SURFACE)
    assert wood is not None
    assert (wood.kind, wood.height_m) == ("wood_deciduous", pytest.approx(9.0, abs=0.01))
    assert growth is not None
    assert growth.origin is Origin.SEEN_ABOVE
    tagged = cover_of(landscape, 35, 35)
    assert tagged is not None
    assert (tagged.height_m, tagged.origin) == (8.0, Origin.MAPPED_HEIGHT)
    assert cover_of(landscape, 550, 50) is None


def test_growth_outranks_grass_of_open_data_and_not_what_is_drawn(tmp_path: Path) -> None:
    """The measured surface outranks a class or meadow that cannot stand 8 m high; what the user drew is his word."""
    landscape = land(with_surface(tmp_path, stood_on((300, 100, 340, 140, 8.0))))
    field = shapely.box(WEST_M + 200.0, SOUTH_M, WEST_M + 500.0, SOUTH_M + 300.0)
    for origin, kind in (
        (Origin.CLASSES, Origin.SEEN_ABOVE),
        (Origin.MAPPED_USUAL, Origin.SEEN_ABOVE),
        (Origin.DRAWN, Origin.DRAWN),
    ):
        there = build_landscape(landscape.elevation, [Cover("field", "grass", field, 0.4, origin=origin)])
        grown, beside = cover_of(there, 320, 120), cover_of(there, 400, 200)
        assert grown is not None
        assert beside is not None
        assert (grown.origin, beside.kind) == (kind, "grass")


def test_both_errors_are_carried_into_what_counts_as_growth(tmp_path: Path) -> None:
    """√(1.2² + 1.6²) = 2 m: below 4 m nothing is seen; with 0.2 and 0.3 m, 2 m counts."""
    surface = stood_on((300, 100, 340, 140, 3.5))
    rough = EXACT.replace("0.2}", "1.2}").replace("0.3}", "1.6}")
    sure, unsure = with_surface(tmp_path / "a", surface), with_surface(tmp_path / "b", surface, rough)
    assert cover_of(land(sure), 320, 120) is not None
    landscape = land(unsure)
    assert landscape.elevation.surface_error_m == pytest.approx(2.0, abs=1e-6)
    assert cover_of(landscape, 320, 120) is None


def test_a_surface_below_the_ground_is_refused(tmp_path: Path) -> None:
    """Another datum, unit, place or date: differences below −3 standard deviations on a tenth of the land."""
    with pytest.raises(InputError, match=r"surface\.tif: lies below the ground on .* by 4\.0 m there"):
        read_property(with_surface(tmp_path, stood_on((0, 0, 600, 600, -4.0))))


def test_a_surface_that_nowhere_touches_the_ground_is_told(tmp_path: Path) -> None:
    found = read_property(with_surface(tmp_path, stood_on((0, 0, 600, 600, 12.0))))
    assert any("12 m or more above the ground nearly everywhere" in note for note in found.warnings)


def test_surface_and_ground_of_unlike_cells_are_not_subtracted(tmp_path: Path) -> None:
    """A 30 m surface over 5 m ground shows the relief that it lacks, not woods."""
    coarse = np.full((20, 20), 130.0, dtype=np.float32)
    place = from_origin(WEST_M, SOUTH_M + SIZE_M, 30.0, 30.0)
    folder = with_surface(tmp_path, coarse, transform=place)
    found = read_property(folder)
    assert any("differ by more than 3 times" in note for note in found.assumptions)
    assert build_landscape(found.elevation, found.covers).covers == ()


def test_nothing_is_added_on_top_of_a_surface_model(tmp_path: Path) -> None:
    """A global 30 m model by its name holds trees and roofs: the wood of the extract adds no height."""
    folder = lay_small_property(tmp_path, settings="terrain.margin_m = 300\n")
    made = Extract()
    made.box(400, 400, 500, 500, {"natural": "wood"})
    made.write(folder / "cover.osm")
    plain = land(folder)
    assert plain.cover_heights_m(6).max() == 15.0
    text = (folder / "property.toml").read_text(encoding="utf-8")
    named = text.replace('elevation = "ground.tif"', 'elevation = {file = "ground.tif", product = "copernicus_30m"}')
    (folder / "property.toml").write_text(named, encoding="utf-8")
    found = read_property(folder)
    assert found.elevation.ground_is_surface
    assert any("taken as a surface model" in note for note in found.assumptions)
    landscape = build_landscape(found.elevation, found.covers)
    assert landscape.cover_heights_m(6).max() == 0.0
    stated = named.replace("product =", 'holds = "ground", product =')
    (folder / "property.toml").write_text(stated, encoding="utf-8")
    assert not read_property(folder).elevation.ground_is_surface


def test_measured_heights_leave_crops_and_stated_heights_alone() -> None:
    from landscapes import NORTH_M, make_landscape
    from landscapes import WEST_M as WEST

    field = shapely.box(WEST, NORTH_M - 50.0, WEST + 50.0, NORTH_M)
    ground = np.full((10, 10), 100.0)
    for kind, origin, height_m in (("maize", Origin.MAPPED_USUAL, 2.5), ("orchard", Origin.DRAWN, 4.0)):
        cover = Cover("field", kind, field, height_m, origin=origin)
        landscape = make_landscape(ground, 5.0, (cover,), surface=np.full((10, 10), 101.0, dtype=np.float32))
        assert landscape.covers[0].height_m == height_m
