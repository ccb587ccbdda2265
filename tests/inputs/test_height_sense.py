"""Heights that are no metres, no land or no heights are told, and never in silence.

The rasters are made here: one foot is 0.3048 m exactly (international foot, 1959 agreement).
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from rasterio.transform import from_origin
from small_property import SOUTH_M, WEST_M, bank, lay_small_property, lon_lat, write_raster

from meshplan.cli import main
from meshplan.errors import InputError, MeshplanError
from meshplan.inputs import read_property
from meshplan.inputs.height_sense import factor_fault, height_facts, odd_stated_heights, slopes_deg

FOOT_M = 0.3048


def warnings_of(folder: Path) -> str:
    return "\n".join(read_property(folder).warnings)


def hills(height_m: float = 40.0) -> np.ndarray:
    x, y = np.meshgrid(np.arange(120) * 5.0, np.arange(120) * 5.0)
    return (200.0 + height_m * np.sin(x / 120.0) * np.cos(y / 150.0)).astype(np.float32)


def test_usual_land_is_not_doubted(tmp_path: Path) -> None:
    assert "HEIGHT" not in warnings_of(lay_small_property(tmp_path / "a", heights=hills()))
    assert "STEEPER" not in warnings_of(lay_small_property(tmp_path / "b", heights=bank()))


@pytest.mark.parametrize(
    ("heights", "words"),
    [
        (hills(8.0) * 10.0 + 10 * hills(150.0) - 2000, "OF THE LAND IS STEEPER THAN 60°"),
        (np.zeros((120, 120), dtype=np.float32), "EVERY HEIGHT IS 0"),
        (np.mod(hills(300.0).round(), 256.0).astype(np.float32), "JUMP BETWEEN 0 AND 255"),
    ],
    ids=["decimetres", "empty", "eight bits"],
)
def test_what_is_no_land_is_told_loudly(heights: np.ndarray, words: str, tmp_path: Path) -> None:
    said = warnings_of(lay_small_property(tmp_path / "property", heights=heights))
    assert words in said
    assert "ground.tif" in said


def test_feet_turned_twice_are_told(tmp_path: Path) -> None:
    """Whole feet that were turned into metres already, in a file said to be in feet."""
    whole_feet = (np.round(hills() / FOOT_M) * FOOT_M).astype(np.float32)
    folder = lay_small_property(tmp_path / "property", heights=whole_feet)
    assert "FEET" not in warnings_of(folder)
    settings = folder / "property.toml"
    settings.write_text(
        settings.read_text().replace('elevation = "ground.tif"', 'elevation = [{file = "ground.tif", unit = "ft"}]')
    )
    assert "FEET TURNED INTO METRES BEFORE" in warnings_of(folder)


def with_second(folder: Path, heights: np.ndarray, holds: str = "ground") -> Path:
    """Lay a coarser raster of 10 m below the first."""
    place = {"transform": from_origin(WEST_M, SOUTH_M + 600.0, 10.0, 10.0)}
    write_raster(folder / "coarse.tif", heights[::2, ::2].copy(), **place)
    settings = folder / "property.toml"
    both = f'elevation = ["ground.tif", {{file = "coarse.tif", holds = "{holds}"}}]'
    settings.write_text(settings.read_text().replace('elevation = "ground.tif"', both))
    return folder


@pytest.mark.parametrize("factor", [1 / FOOT_M, 10.0, FOOT_M, 0.1])
@pytest.mark.parametrize("holds", ["ground", "surface"])
def test_two_rasters_that_differ_by_a_unit_are_a_fault(factor: float, holds: str, tmp_path: Path) -> None:
    folder = with_second(lay_small_property(tmp_path / "property", heights=hills()), hills() * np.float32(factor), holds)
    with pytest.raises(MeshplanError, match="times those of") as caught:
        read_property(folder)
    assert caught.value.where == ("coarse.tif" if factor > 1.0 else "ground.tif")
    assert "unit" in caught.value.fix


@pytest.mark.parametrize("heights", [hills() * 100.0, hills() - 5000.0], ids=["centimetres", "below all shores"])
def test_heights_that_are_on_no_land_are_a_fault(heights: np.ndarray, tmp_path: Path) -> None:
    """Before, they were taken for gaps, and the message sent people after the positions of their sites."""
    with pytest.raises(MeshplanError, match="are on no land of this Earth") as caught:
        read_property(lay_small_property(tmp_path / "property", heights=heights.astype(np.float32)))
    assert caught.value.where == "ground.tif"


def test_flat_land_is_judged_by_its_level_beyond_any_datum() -> None:
    flat, other = np.full((20, 20), 200.0, dtype=np.float32), np.full((20, 20), 200.0 / FOOT_M, dtype=np.float32)
    assert isinstance(factor_fault(flat, other, ["a"], "b"), InputError)
    assert factor_fault(flat, flat + np.float32(48.0), ["a"], "b") is None, "a height datum may differ by so much"
    assert factor_fault(flat, flat, ["a"], "b") is None


def test_trees_and_noise_are_no_factor(tmp_path: Path) -> None:
    rough = hills() + np.random.default_rng(3).normal(0.0, 4.0, (120, 120)).astype(np.float32) + 15.0
    read_property(with_second(lay_small_property(tmp_path / "property", heights=hills()), rough.astype(np.float32)))


def test_the_unit_of_a_vertical_projection_is_taken(tmp_path: Path) -> None:
    """EPSG:6360 is a height in US survey feet; before, only a word in the band was looked at."""
    folder = lay_small_property(tmp_path / "property")
    write_raster(folder / "ground.tif", (bank() / FOOT_M).astype(np.float32), crs="EPSG:32627+6360")
    found = read_property(folder)
    assert abs(float(np.nanmin(found.elevation.ground_amsl_m)) - 100.0) < 0.1
    assert any("heights in us-ft, as the file says" in line for line in found.assumptions)


def test_facts_have_range_and_slope(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ramp = np.broadcast_to(np.arange(50, dtype=np.float32) * 10.0, (50, 50)).copy()
    assert np.allclose(slopes_deg(ramp, 10.0), 45.0)
    assert height_facts(ramp, 10.0) == "0.0 to 490.0 m; slope 45° in the middle, 45° at the steepest hundredth"
    assert main(["check", str(lay_small_property(tmp_path / "property"))]) == 0
    assert "100.0 to 124.8 m; slope" in capsys.readouterr().out


def test_cover_that_misses_the_land_must_be_confirmed(tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path / "property", settings='cover = "woods.geojson"\n')
    lon, lat = lon_lat(0.0, 0.0)
    corners = [[lon + 1.0 + x, lat + y] for x, y in ((0, 0), (0.01, 0), (0.01, 0.01), (0, 0))]
    wood = {
        "type": "Feature",
        "properties": {"kind": "wood", "height_m": 9},
        "geometry": {"type": "Polygon", "coordinates": [corners]},
    }
    (folder / "woods.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": [wood]}))
    with pytest.raises(MeshplanError, match="none of its shapes reaches the land") as caught:
        read_property(folder)
    assert caught.value.where == "woods.geojson"
    (folder / "property.toml").open("a").write('land_cover.elsewhere = ["woods.geojson"]\n')
    assert "1 of 1 shapes do not reach the property" in warnings_of(folder)


PLACES = [("Bed sensor", 90, 320), ("Trough sensor", 330, 300), ("House gateway", 60, 300), ("North relay", 200, 360)]


def recorded(folder: Path, heights_m: list[float], suffix: str, mode: str = "absolute") -> Path:
    """Put the sites into a file as a recorder writes it, with a height each."""
    rows = [(name, *lon_lat(x, y), height) for (name, x, y), height in zip(PLACES, heights_m, strict=True)]
    if suffix == ".gpx":
        marked = "".join(f'<wpt lat="{b}" lon="{a}"><ele>{h}</ele><name>{n}</name></wpt>' for n, a, b, h in rows)
        written = f'<gpx version="1.1" creator="walk" xmlns="http://www.topografix.com/GPX/1/1">{marked}</gpx>'
    else:
        marked = "".join(
            f"<Placemark><name>{n}</name><Point><altitudeMode>{mode}</altitudeMode><coordinates>{a},{b},{h}</coordinates></Point>"
            "</Placemark>"
            for n, a, b, h in rows
        )
        written = f'<kml xmlns="http://www.opengis.net/kml/2.2"><Document>{marked}</Document></kml>'
    (folder / f"walk{suffix}").write_text(f'<?xml version="1.0"?>{written}', encoding="utf-8")
    settings = folder / "property.toml"
    settings.write_text(settings.read_text().replace("sites.csv", f"walk{suffix}"))
    return folder


def ground_m() -> list[float]:
    """Return what the raster says where the places are, read from its own array."""
    return [float(hills()[int((600.0 - y) // 5.0), int(x // 5.0)]) for _, x, y in PLACES]


STRAY_M = (1.5, -2.0, 3.0, -1.0)


@pytest.mark.parametrize("suffix", [".gpx", ".kml"])
@pytest.mark.parametrize(
    ("times", "more_m", "words"),
    [
        (1.0, 0.0, ""),
        (1.0, 47.0, "LIE 47 m above the elevation rasters, all of them alike: another height datum"),
        (1.0, -35.0, "LIE 35 m below the elevation rasters, all of them alike: another height datum"),
        (FOOT_M, 0.0, "ARE 3.28 TIMES SMALLER than the elevation rasters say: feet taken for metres, in the elevation rasters?"),
        (1 / FOOT_M, 0.0, "ARE 3.28 TIMES LARGER than the elevation rasters say: feet taken for metres, in that file?"),
        (1.0, 900.0, "more than any two height datums differ"),
    ],
)
def test_heights_of_the_places_are_compared_with_the_rasters(
    suffix: str, times: float, more_m: float, words: str, tmp_path: Path
) -> None:
    """Before, what the recorder wrote of the places was dropped, and a raster in feet was believed."""
    folder = lay_small_property(tmp_path / "property", heights=hills())
    said = [times * (height + stray) + more_m for height, stray in zip(ground_m(), STRAY_M, strict=True)]
    told = warnings_of(recorded(folder, said, suffix))
    if words:
        assert f"walk{suffix}: THE HEIGHTS OF ITS 4 PLACES" in told
        assert words in told
    else:
        assert "PLACES" not in told


@pytest.mark.parametrize(
    ("heights_m", "mode"),
    [([0.0] * 4, "absolute"), ([3.0, 1.0, 4.0, 2.0], "relativeToGround"), ([170.0, 260.0, 205.0, 240.0], "absolute")],
    ids=["none written", "above the ground", "straying each by itself"],
)
def test_what_says_nothing_of_the_land_is_not_held_against_it(heights_m: list[float], mode: str, tmp_path: Path) -> None:
    assert "PLACES" not in warnings_of(recorded(lay_small_property(tmp_path / "p", heights=hills()), heights_m, ".kml", mode))


def test_two_places_are_too_few_to_tell() -> None:
    assert odd_stated_heights(np.array([100.0, 90.0]), np.array([328.0, 295.0]), "walk.gpx") == []
