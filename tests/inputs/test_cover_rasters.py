"""Rasters of land-cover classes and of canopy heights: legends as published, and where they stand in the order of trust."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import rasterio
from numpy.typing import NDArray
from osm_extract import Extract
from rasterio.transform import from_origin
from small_property import CRS, SIZE_M, SOUTH_M, WEST_M, lay_small_property

from meshplan.errors import MeshplanError
from meshplan.inputs.file_hashes import hash_inputs
from meshplan.inputs.legends import read_legends
from meshplan.inputs.property import read_property
from meshplan.records import Cover, Origin
from meshplan.terrain.landscape import Landscape, build_landscape

CELL_M = 10.0
CELLS = round(SIZE_M / CELL_M)


def write(path: Path, values: NDArray[np.generic], **changes: object) -> Path:
    shape = {"width": values.shape[1], "height": values.shape[0], "count": 1, "dtype": values.dtype.name, "crs": CRS}
    place = {"transform": from_origin(WEST_M, SOUTH_M + SIZE_M, CELL_M, CELL_M)}
    with rasterio.open(path, "w", driver="GTiff", **(shape | place | changes)) as target:
        target.write(values, 1)
    return path


def laid(ground: float, *boxes: tuple[float, float, float, float, float], dtype: str = "uint8") -> NDArray[np.generic]:
    """Return a raster of one value with boxes (west, south, east, north in metres, value)."""
    values = np.full((CELLS, CELLS), ground, dtype=dtype)
    for west, south, east, north, value in boxes:
        rows = slice(round((SIZE_M - north) / CELL_M), round((SIZE_M - south) / CELL_M))
        values[rows, round(west / CELL_M) : round(east / CELL_M)] = value
    return values


def folder_with(folder: Path, settings: str) -> Path:
    return lay_small_property(folder, settings=f"terrain.margin_m = 300\n{settings}\n")


def land(folder: Path) -> Landscape:
    found = read_property(folder)
    return build_landscape(found.elevation, found.covers)


def at(landscape: Landscape, x: float, y: float) -> Cover | None:
    column, row = landscape.grid.column_row(WEST_M + x, SOUTH_M + y)
    number = int(landscape.cover_index[round(float(row)), round(float(column))])
    lattice = landscape.cover_lattice
    finer, _ = lattice.numbers_at(WEST_M + x, SOUTH_M + y)
    assert int(finer) == number
    return landscape.covers[number - 1] if number else None


PUBLISHED = {
    10: "tree cover", 20: "shrubland", 30: "grassland", 40: "cropland", 50: "built-up", 60: "bare", 70: "snow and ice",
    80: "permanent water", 90: "herbaceous wetland", 95: "mangroves", 100: "moss and lichen",
}  # fmt: skip


def test_the_ten_metre_classes_are_those_of_the_published_legend() -> None:
    """ESA WorldCover 2021 v200, user manual, table of classes."""
    legend = read_legends(None)["worldcover"]
    assert set(legend.classes) == {0, *PUBLISHED}
    for value, words in PUBLISHED.items():
        assert legend.classes[value].means.startswith(words)


@pytest.mark.parametrize("key", ["dynamic_world", "corine", "nlcd"])
def test_other_legends_hold_their_usual_values(key: str) -> None:
    """Class lists of the products, recalled: 0-8; three digits 111-523; two digits 11-95."""
    values = set(read_legends(None)[key].classes)
    assert values <= {"dynamic_world": set(range(9)), "corine": set(range(111, 524)), "nlcd": set(range(11, 96))}[key]
    assert len(values) >= 9


def test_classes_become_cover_below_what_is_mapped(tmp_path: Path) -> None:
    folder = folder_with(tmp_path, 'land_cover.classes = "worldcover_tile.tif"')
    write(folder / "worldcover_tile.tif", laid(30, (400, 400, 600, 600, 10), (0, 0, 200, 200, 60), (300, 0, 400, 100, 50)))
    made = Extract()
    made.box(450, 450, 500, 500, {"landuse": "meadow"})
    made.write(folder / "cover.osm")
    landscape = land(folder)
    wood, mapped, grass = at(landscape, 550, 550), at(landscape, 475, 475), at(landscape, 250, 250)
    assert wood is not None
    assert (wood.kind, wood.height_m, wood.origin) == ("wood_deciduous", 12.0, Origin.CLASSES)
    assert mapped is not None
    assert (mapped.kind, mapped.origin) == ("grass", Origin.MAPPED_USUAL)
    assert grass is not None
    assert grass.kind == "grass"
    assert at(landscape, 100, 100) is None
    assert at(landscape, 350, 50) is None
    found = read_property(folder)
    assert any("ESA WorldCover 10 m" in note and "23 % of its cells have the wrong class" in note for note in found.assumptions)
    assert any("ESA WorldCover project" in credit for credit in found.credits)
    assert any("OpenStreetMap" in credit for credit in found.credits)
    covered = sum((e - w) * (n - s) for w, s, e, n in found.accounted_m or ())
    assert covered < SIZE_M**2, "built-up land is not accounted for by its class"
    assert "worldcover_tile.tif" in {one.name for one in hash_inputs(folder, found.settings)}


def test_a_canopy_map_gives_heights_to_woods_and_shows_trees_that_nobody_mapped(tmp_path: Path) -> None:
    """Its heights go before the usual ones of a kind and before classes; buildings and stated heights stay."""
    folder = folder_with(tmp_path, 'land_cover.canopy = "canopy.tif"\nland_cover.classes = {file = "c.tif", legend = "worldcover"}')
    boxes = (
        (400, 400, 500, 500, 22.0),
        (20, 20, 60, 60, 9.0),
        (100, 20, 140, 60, 7.0),
        (400, 20, 500, 120, 18.0),
        (520, 20, 600, 60, 11.0),
    )
    write(folder / "canopy.tif", laid(0.0, *boxes, dtype="float32"))
    write(folder / "c.tif", laid(30, (400, 20, 500, 120, 10)))
    made = Extract()
    made.box(400, 400, 500, 500, {"natural": "wood"})
    made.box(20, 20, 60, 60, {"natural": "wood", "height": "14"})
    made.box(100, 20, 140, 60, {"building": "barn"})
    made.write(folder / "cover.osm")
    landscape = land(folder)
    told = {
        (place.kind, place.height_m, place.origin)
        for place in (at(landscape, *xy) for xy in ((450, 450), (40, 40), (120, 40), (450, 70), (560, 40)))
        if place is not None
    }
    assert told == {
        ("wood_deciduous", 22.0, Origin.CANOPY_HEIGHT),
        ("wood_deciduous", 14.0, Origin.MAPPED_HEIGHT),
        ("building", 8.0, Origin.MAPPED_USUAL),
        ("wood_deciduous", 18.0, Origin.CANOPY),
        ("wood_deciduous", 11.0, Origin.CANOPY),
    }
    assert any("3 to 6 m" in note for note in read_property(folder).assumptions)


def test_values_that_mark_nothing_are_no_trees(tmp_path: Path) -> None:
    """255 is "no data" of whole-metre canopy maps, declared or not."""
    folder = folder_with(tmp_path, 'land_cover.canopy = "canopy.tif"')
    write(folder / "canopy.tif", laid(255))
    assert land(folder).covers == ()


def test_a_legend_of_ones_own(tmp_path: Path) -> None:
    folder = folder_with(tmp_path, 'land_cover.classes = {file = "mine.tif", legend = "mine"}')
    write(folder / "mine.tif", laid(7))
    (folder / "legends.toml").write_text(
        '[legends.mine]\ntitle = "My survey"\nstanding = "practice"\nsource = "own walk"\n'
        '[legends.mine.classes]\n7 = { kind = "orchard", height_m = 3 }\n'
    )
    found = at(land(folder), 300, 300)
    assert found is not None
    assert (found.kind, found.height_m) == ("orchard", 3.0)


@pytest.mark.parametrize(
    ("setting", "value", "legend", "words"),
    [
        ('"plain.tif"', 10, "", "its legend is not told"),
        ('{file = "plain.tif", legend = "worldcovr"}', 10, "", "is not known. Did you mean"),
        ('{file = "plain.tif", legend = "worldcover"}', 77, "", "values that ESA WorldCover 10 m does not have"),
        ('"absent.tif"', 10, "", "its legend is not told|no such file"),
        ('{file = "plain.tif", legend = "mine"}', 10, "10 = {kind = 'jungle'}", "class 10 is not understood"),
    ],
)
def test_what_cannot_be_understood_is_an_error(tmp_path: Path, setting: str, value: int, legend: str, words: str) -> None:
    folder = folder_with(tmp_path, f"land_cover.classes = {setting}")
    write(folder / "plain.tif", laid(value))
    if legend:
        (folder / "legends.toml").write_text(
            f'[legends.mine]\ntitle = "x"\nstanding = "practice"\nsource = "x"\n[legends.mine.classes]\n{legend}\n'
        )
    with pytest.raises(MeshplanError, match=words):
        read_property(folder)


def test_a_raster_of_classes_that_nobody_named_is_no_ground(tmp_path: Path) -> None:
    folder = folder_with(tmp_path, "")
    text = (folder / "property.toml").read_text(encoding="utf-8").replace('elevation = "ground.tif"\n', "")
    (folder / "property.toml").write_text(text, encoding="utf-8")
    write(folder / "esa_worldcover_2021.tif", laid(10))
    write(folder / "canopy_height.tif", laid(10))
    found = read_property(folder)
    assert [raster.file for raster in found.elevation.rasters] == ["ground.tif"]
    assert sum("left out, its name is that of a raster of land cover" in note for note in found.assumptions) == 2


def test_a_tile_of_another_place_is_an_error(tmp_path: Path) -> None:
    folder = folder_with(tmp_path, 'land_cover.classes = {file = "far.tif", legend = "worldcover"}')
    write(folder / "far.tif", laid(10), transform=from_origin(WEST_M + 50_000, SOUTH_M, CELL_M, CELL_M))
    with pytest.raises(MeshplanError, match="does not reach the property"):
        read_property(folder)
