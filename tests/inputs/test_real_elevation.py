"""Real open elevation: the sample raster that comes with matplotlib, and a tile of shuttle radar heights where it is at hand.

Both are compared with GDAL's own reading of the same files (rasterio), and with heights they are known to hold.
"""

from __future__ import annotations

from pathlib import Path

import matplotlib.cbook
import numpy as np
import pytest
import rasterio
from pyproj import CRS, Geod, Transformer
from rasterio.transform import from_origin

from meshplan.inputs import read_property
from meshplan.inputs.raster import open_header
from meshplan.records.property import Property
from meshplan.settings import RasterSettings

ARC_SECONDS = 3.0


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return matplotlib's sample raster as a GeoTIFF.

    Its keys `ymin` and `ymax` are swapped: 36.7329 is the north edge and row 0 is north.
    """
    with matplotlib.cbook.get_sample_data("jacksboro_fault_dem.npz") as data:
        heights = np.asarray(data["elevation"])
        west, north = float(data["xmin"]), float(data["ymin"])
    assert heights.shape == (344, 403)
    assert north == pytest.approx(36.7329, abs=1e-4)
    path = tmp_path_factory.mktemp("real") / "sample.tif"
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=403,
        height=344,
        count=1,
        dtype=heights.dtype,
        crs="EPSG:4326",
        transform=from_origin(west, north, ARC_SECONDS / 3600, ARC_SECONDS / 3600),
    ) as target:
        target.write(heights, 1)
    return path


def lay_property(folder: Path, rasters: list[Path], sites: list[tuple[str, str, float, float]], more: str = "") -> Property:
    folder.mkdir(exist_ok=True)
    named = ", ".join(f'"{path}"' for path in rasters)
    (folder / "property.toml").write_text(f'name = "Invented farm"\nelevation = [{named}]\n{more}')
    rows = "\n".join(f"{name},{role},{lon:.7f},{lat:.7f},2" for name, role, lon, lat in sites)
    (folder / "sites.csv").write_text(f"name,role,lon_deg,lat_deg,antenna_agl_m\n{rows}\n")
    return read_property(folder)


def gdal_height(path: Path, lon_deg: float, lat_deg: float) -> float:
    """Return the bilinear height that GDAL's warper gives in a cell about a point, through a virtual raster.

    XSCALE and YSCALE keep GDAL from smoothing, which it does when a view is only one cell wide.
    """
    from rasterio.enums import Resampling
    from rasterio.vrt import WarpedVRT

    tiny = 1e-6
    with (
        rasterio.open(path) as source,
        WarpedVRT(
            source,
            crs="EPSG:4326",
            transform=from_origin(lon_deg - tiny / 2, lat_deg + tiny / 2, tiny, tiny),
            width=1,
            height=1,
            resampling=Resampling.bilinear,
            dtype="float32",
            XSCALE="1",
            YSCALE="1",
        ) as view,
    ):
        return float(view.read(1)[0, 0])


def test_an_invented_farm_lies_on_real_land(sample: Path, tmp_path: Path) -> None:
    sites = [("Barn", "gateway", -84.25, 36.60), ("Spring", "sensor", -84.235, 36.61), ("Knob", "sensor", -84.26, 36.59)]
    found = lay_property(tmp_path, [sample], sites)
    elevation = found.elevation
    assert elevation.grid.crs == "EPSG:32616"
    assert np.isfinite(elevation.ground_amsl_m).all()
    assert 236 <= elevation.ground_amsl_m.min() < elevation.ground_amsl_m.max() <= 1076
    for site in found.sites:
        column, row = elevation.grid.column_row(site.x_m, site.y_m)
        height = elevation.ground_amsl_m[round(float(row)), round(float(column))]
        slope_m = 2.0 * elevation.grid.cell_m
        assert height == pytest.approx(gdal_height(sample, site.lon_deg, site.lat_deg), abs=0.5 * slope_m)


def test_every_cell_agrees_with_gdals_own_warp_at_its_centre(sample: Path, tmp_path: Path) -> None:
    sites = [("Barn", "gateway", -84.25, 36.60), ("Spring", "sensor", -84.235, 36.61)]
    elevation = lay_property(tmp_path, [sample], sites).elevation
    grid = elevation.grid
    back = Transformer.from_crs(CRS(grid.crs), "EPSG:4326", always_xy=True)
    chosen = np.random.default_rng(11).integers(0, [grid.columns, grid.rows], (60, 2))
    differences = []
    for column, row in chosen:
        lon, lat = back.transform(*(float(value) for value in grid.x_y(column, row)))
        differences.append(elevation.ground_amsl_m[row, column] - gdal_height(sample, lon, lat))
    assert np.abs(differences).max() < 0.05


def test_the_sample_is_judged_by_the_size_of_its_cells_on_the_ground(sample: Path) -> None:
    """Against the geodesic on the ellipsoid (pyproj.Geod): 3 arc-seconds are about 74 m by 92 m at 36.6° N."""
    geod = Geod(ellps="WGS84")
    step = ARC_SECONDS / 3600
    _, _, across = geod.inv(-84.3, 36.6, -84.3 + step, 36.6)
    _, _, along = geod.inv(-84.3, 36.6, -84.3, 36.6 - step)
    cell_m = open_header(sample, "sample.tif", RasterSettings(file="sample.tif")).cell_m(-84.3, 36.6)
    assert cell_m == pytest.approx(np.sqrt(across * along), rel=1e-3)


def test_a_fine_raster_lies_inside_the_coarse_one_in_another_projection(sample: Path, tmp_path: Path) -> None:
    """The fine raster is the coarse one, warped by GDAL to 10 m in an American plane projection, with a mound of 8 m upon it."""
    from rasterio.enums import Resampling
    from rasterio.warp import reproject

    to_plane = Transformer.from_crs("EPSG:4326", "EPSG:5070", always_xy=True)
    x_m, y_m = to_plane.transform(-84.25, 36.60)
    transform = from_origin(x_m - 500, y_m + 500, 10.0, 10.0)
    heights = np.zeros((100, 100), dtype=np.float32)
    with rasterio.open(sample) as source:
        reproject(rasterio.band(source, 1), heights, dst_transform=transform, dst_crs="EPSG:5070", resampling=Resampling.bilinear)
    mound = heights.copy()
    mound[45:55, 45:55] += 8.0
    fine = tmp_path / "fine.tif"
    with rasterio.open(
        fine, "w", driver="GTiff", width=100, height=100, count=1, dtype="float32", crs="EPSG:5070", transform=transform
    ) as target:
        target.write(mound, 1)
    sites = [("Barn", "gateway", -84.25, 36.60), ("Spring", "sensor", -84.235, 36.61), ("Knob", "sensor", -84.26, 36.59)]
    coarse_only = lay_property(tmp_path / "a", [sample], sites, "[terrain]\ncell_m = 10\n").elevation
    both = lay_property(tmp_path / "b", [sample, fine], sites, "[terrain]\ncell_m = 10\n").elevation
    assert [note.file.rsplit("/", 1)[-1] for note in both.rasters] == ["fine.tif", "sample.tif"]
    assert both.grid == coarse_only.grid
    rise = both.ground_amsl_m - coarse_only.ground_amsl_m
    on_fine = both.raster_index == 0
    assert on_fine.sum() * 100 == pytest.approx(1_000_000, rel=0.02)
    assert np.abs(rise[~on_fine]).max() == 0.0
    assert (rise > 7.0).sum() * 100 == pytest.approx(10_000, rel=0.25)
    flat = rise[on_fine & (rise < 3.0)]  # interpolated twice, so not the same on curved ground, but not shifted
    assert abs(float(np.median(flat))) < 0.02
    assert float(np.percentile(np.abs(flat), 90)) < 0.2
    column, row = both.grid.column_row(*Transformer.from_crs("EPSG:4326", both.grid.crs, always_xy=True).transform(-84.25, 36.60))
    assert rise[round(float(row)), round(float(column))] == pytest.approx(8.0, abs=0.5)


def test_radar_heights_below_sea_level_are_land(reference_dir: Path, tmp_path: Path) -> None:
    """The tile reaches down to −167 m, which is real; its pixels are points on whole 3 arc-second nodes (README beside it)."""
    tile = reference_dir / "measured" / "valley_dem_srtm3.tif"
    if not tile.is_file():
        pytest.skip("the radar tile is not on this machine")
    sites = [("House", "gateway", 35.40, 32.70), ("Well", "sensor", 35.45, 32.66), ("Field", "sensor", 35.50, 32.60)]
    found = lay_property(tmp_path, [tile], sites)
    ground = found.elevation.ground_amsl_m
    assert np.isfinite(ground).all()
    assert ground.min() < -100.0
    for site in found.sites:
        column, row = found.elevation.grid.column_row(site.x_m, site.y_m)
        expected = gdal_height(tile, site.lon_deg, site.lat_deg)
        assert ground[round(float(row)), round(float(column))] == pytest.approx(expected, abs=8.0)
    with rasterio.open(tile) as source:
        node_row, node_column = 100, 150
        lon, lat = source.xy(node_row, node_column)
        stored = float(source.read(1)[node_row, node_column])
    assert (lon * 1200) % 1 == pytest.approx(0.0, abs=1e-6) or (lon * 1200) % 1 == pytest.approx(1.0, abs=1e-6)
    assert gdal_height(tile, lon, lat) == pytest.approx(stored, abs=0.01)
