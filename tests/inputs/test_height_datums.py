"""Heights above ellipsoid and geoid are told apart, turned into each other where PROJ has the grid, and never mixed in silence."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import rasterio
from rasterio.transform import from_origin

from meshplan.errors import MeshplanError
from meshplan.grid import Elevation, Grid
from meshplan.inputs.elevation import read_elevation
from meshplan.inputs.height_datum import datum_named
from meshplan.inputs.raster import RasterHeader, open_header
from meshplan.settings import RasterSettings

GRID = Grid("EPSG:32632", 500_000.0, 5_650_600.0, 10.0, 60, 60)
LON_DEG, LAT_DEG = 9.0, 51.0


def write(path: Path, height_m: float, crs: str, cell_deg: float = 1 / 3600, **tags: str) -> Path:
    """Write level land round the grid in degrees."""
    cells = round(0.05 / cell_deg)
    shape = {"width": cells, "height": cells, "count": 1, "dtype": "float32", "crs": crs}
    place = from_origin(LON_DEG - 0.025, LAT_DEG + 0.025, cell_deg, cell_deg)
    with rasterio.open(path, "w", driver="GTiff", transform=place, **shape) as target:
        target.write(np.full((cells, cells), height_m, dtype=np.float32), 1)
        target.update_tags(**tags)
    return path


def header(path: Path, **settings: object) -> RasterHeader:
    return open_header(path, path.name, RasterSettings(file=path.name, **settings))  # type: ignore[arg-type]


def read(*headers: RasterHeader) -> Elevation:
    return read_elevation(headers, GRID)


@pytest.mark.parametrize(
    ("crs", "kind", "name"),
    [
        ("EPSG:4326", "not known", ""),
        ("EPSG:4979", "ellipsoid", "ellipsoid"),
        ("EPSG:4326+3855", "geoid", "EGM2008 height"),
        ("EPSG:4326+5773", "geoid", "EGM96 height"),
        ("EPSG:4258+7837", "geoid", "DHHN2016 height"),
    ],
)
def test_a_projection_says_what_heights_are_above(tmp_path: Path, crs: str, kind: str, name: str) -> None:
    """Codes of the EPSG registry: 4979 is three-dimensional, 3855, 5773 and 7837 are vertical references."""
    found = header(write(tmp_path / "a.tif", 100.0, crs))
    assert (found.datum.kind, found.datum.name) == (kind, name)
    assert len(found.crs.axis_info) == 2


def test_tag_property_and_product_say_it_too_in_that_order_of_trust(tmp_path: Path) -> None:
    tagged = write(tmp_path / "a.tif", 100.0, "EPSG:4326", vertical_datum="EGM96 geoid (SRTM)")
    assert header(tagged).datum.name == "EGM96 height"
    assert header(tagged).datum.said_by == "tag vertical_datum"
    stated = header(tagged, datum="EPSG:3855")
    assert stated.datum.name == "EGM2008 height"
    assert any("property.toml says EGM2008 height, which is taken" in note for note in stated.notes)
    plain = write(tmp_path / "b.tif", 100.0, "EPSG:4326")
    assert header(plain, product="copernicus_30m").datum.name == "EGM2008 height"
    assert header(plain, product="srtm_30m").datum.name == "EGM96 height"
    assert header(plain).datum.kind == "not known"


@pytest.mark.parametrize("name", ["EPSG:25832", "sea level", "EPSG:0"])
def test_a_name_that_says_nothing_of_heights_is_a_fault(name: str) -> None:
    with pytest.raises(MeshplanError, match=r"height datum|says nothing of heights"):
        datum_named(name, "property.toml", "property.toml")


def test_ellipsoid_and_geoid_are_not_mixed_without_the_grid_and_its_name_is_told(tmp_path: Path) -> None:
    """PROJ without the grid gives 100 m back as 100 m ("ballpark"), 46.5 m wrong: refused, with the file that is missing."""
    fine = header(write(tmp_path / "fine.tif", 100.0, "EPSG:4979", 1 / 7200))
    coarse = header(write(tmp_path / "coarse.tif", 53.5, "EPSG:4326+5773"))
    with pytest.raises(MeshplanError, match=r"us_nga_egm96_15\.tif is not installed") as caught:
        read(fine, coarse)
    assert "pyproj sync --file us_nga_egm96_15" in str(caught.value)
    with pytest.raises(MeshplanError, match="us_nga_egm08_25"):
        read(fine, header(write(tmp_path / "other.tif", 53.5, "EPSG:4326+3855")))


def test_ellipsoid_beside_a_silent_raster_is_a_fault(tmp_path: Path) -> None:
    """A projection without heights is turned into any other by leaving them alone, exactly so for PROJ: asked for before."""
    fine = header(write(tmp_path / "fine.tif", 100.0, "EPSG:4979", 1 / 7200))
    silent = write(tmp_path / "silent.tif", 53.5, "EPSG:4326")
    with pytest.raises(MeshplanError, match="does not say its height datum"):
        read(fine, header(silent))
    assert read(fine, header(silent, datum="ellipsoid")).ground_amsl_m[30, 30] == pytest.approx(100.0)


def test_what_is_all_above_the_ellipsoid_is_told(tmp_path: Path) -> None:
    found = read(header(write(tmp_path / "fine.tif", 100.0, "EPSG:4979")))
    assert any("above the ellipsoid, and no others" in note for note in found.assumptions)


def test_two_datums_of_the_geoid_kind_are_taken_as_one_and_told(tmp_path: Path) -> None:
    fine = header(write(tmp_path / "fine.tif", 100.0, "EPSG:4326+3855", 1 / 7200))
    coarse = header(write(tmp_path / "coarse.tif", 100.0, "EPSG:4326+5773"))
    assert any("Several height datums" in note and "0.5 m" in note for note in read(fine, coarse).assumptions)
    silent = header(write(tmp_path / "silent.tif", 100.0, "EPSG:4326"))
    assert any("taken as that of the others (EGM2008 height)" in note for note in read(fine, silent).assumptions)


WITH_GRID = """
import json, sys, warnings
from pathlib import Path
import numpy as np, pyproj, rasterio
from rasterio.transform import from_origin
folder = Path(sys.argv[1])
grids = folder / "grids"
grids.mkdir()
shape = {"width": 361, "height": 181, "count": 1, "dtype": "float32", "crs": "EPSG:4326"}
columns = np.arange(361, dtype=np.float32)
with rasterio.open(grids / "us_nga_egm96_15.tif", "w", driver="GTiff", transform=from_origin(-180.5, 90.5, 1, 1), **shape) as made:
    made.write(np.broadcast_to(46.5 + 0.5 * (columns - 189.0), (181, 361)).astype(np.float32), 1)
    made.update_tags(TYPE="VERTICAL_OFFSET_GEOGRAPHIC_TO_VERTICAL", AREA_OR_POINT="Point")
    made.set_band_description(1, "geoid_undulation")
pyproj.datadir.append_data_dir(str(grids))
sys.path.insert(0, sys.argv[2])
from test_height_datums import GRID, header, read, write
fine = header(write(folder / "fine.tif", 100.0, "EPSG:4979", 1 / 7200))
coarse = header(write(folder / "coarse.tif", 53.5, "EPSG:4326+5773"))
found = read(fine, coarse)
ground = found.ground_amsl_m
heights = [float(ground[30, 0]), float(ground[30, 59]), float(np.median(found.nodes[0].heights_m))]
print(json.dumps([*heights, list(found.assumptions)]))
"""


def test_heights_are_turned_with_the_grid_of_proj(tmp_path: Path) -> None:
    """H = h − N (the definition of the geoid height N) with an invented grid of N = 46.5 m at 9° E, growing 0.5 m a degree.

    In a process of its own, since PROJ remembers which grids are missing.
    """
    done = subprocess.run(
        [sys.executable, "-c", WITH_GRID, str(tmp_path), str(Path(__file__).parent)],
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
    west, east, node, assumptions = json.loads(done.stdout.splitlines()[-1])
    assert west == pytest.approx(53.5, abs=0.002)
    assert west - east == pytest.approx(0.5 * 590.0 / (111_320.0 * np.cos(np.radians(LAT_DEG))), abs=2e-4)
    assert node == pytest.approx(53.5, abs=0.03)
    assert any("turned into EGM96 height by PROJ" in note for note in assumptions)
