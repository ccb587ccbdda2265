"""What people bring the first time: files from a phone, spreadsheets of their country, projections of their land office."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import rasterio
from small_property import CRS, SOUTH_M, WEST_M, bank, changed, lay_small_property, lon_lat, usual_sites, write_raster

from meshplan.cli import main

Capture = pytest.CaptureFixture[str]
HOUSE, TROUGH = lon_lat(60, 300), lon_lat(330, 300)
GPX = """<?xml version="1.0"?><gpx version="1.1" creator="phone" xmlns="http://www.topografix.com/GPX/1/1">
<wpt lat="{1}" lon="{0}"><name>Trough</name></wpt><wpt lat="{3}" lon="{2}"><name>House</name><desc>{4}</desc></wpt></gpx>"""


def use(folder: Path, sites: str = "sites.csv", more: str = "") -> Path:
    (folder / "property.toml").write_text(
        f'name = "My holding"\ncountry = "europe"\nradio = "css-868-sf7"\nsites = "{sites}"\nelevation = "ground.tif"\n{more}'
    )
    return folder


def test_five_lines_and_a_table_make_a_plan(tmp_path: Path, capsys: Capture) -> None:
    folder = use(lay_small_property(tmp_path / "mine"))
    (folder / "sites.csv").write_text(
        "name,role,lon_deg,lat_deg\n" + f"Trough,sensor,{TROUGH[0]},{TROUGH[1]}\nHouse,gateway,{HOUSE[0]},{HOUSE[1]}\n"
    )
    assert main(["plan", str(folder), "--out", str(tmp_path / "out"), "-q"]) in (0, 1)
    shown = capsys.readouterr().out
    assert "Antenna height of 1 m above ground assumed for 1 sensor (Trough); give antenna_agl_m." in shown
    assert (tmp_path / "out" / "map.html").is_file()


def test_a_walk_with_the_phone_is_read(tmp_path: Path, capsys: Capture) -> None:
    folder = use(lay_small_property(tmp_path), "walk.gpx")
    (folder / "walk.gpx").write_text(GPX.format(*TROUGH, *HOUSE, "gateway on the roof"))
    assert main(["check", str(folder)]) == 0
    shown = capsys.readouterr().out
    assert "1 sensor, 1 gateway" in shown
    assert "'Trough' says no role and is taken as a sensor" in shown
    assert "'House' is taken as a gateway, because its desc says 'gateway'" in shown


def test_a_walk_without_a_gateway_says_how_a_phone_can_name_one(tmp_path: Path, capsys: Capture) -> None:
    folder = use(lay_small_property(tmp_path), "walk.gpx")
    (folder / "walk.gpx").write_text(GPX.format(*TROUGH, *HOUSE, "nice view"))
    assert main(["check", str(folder), "--set", "generate_gateways=0"]) == 2
    assert capsys.readouterr().err == (
        "walk.gpx: there is no place for a gateway\n"
        "  Write 'gateway' into the name or description of one: a place with power where readings can leave the radio network.\n"
    )


def test_a_spreadsheet_with_semicolons_is_read(tmp_path: Path) -> None:
    folder = use(lay_small_property(tmp_path))
    rows = f"Käserei;sensor;{TROUGH[0]};{TROUGH[1]};1\r\nHaus;gateway;{HOUSE[0]};{HOUSE[1]};4\r\n"
    (folder / "sites.csv").write_bytes(("\ufeffname;role;lon_deg;lat_deg;antenna_agl_m\r\n" + rows).encode("utf-8"))
    assert main(["check", str(folder)]) == 0


def test_swapped_degrees_are_recognised(tmp_path: Path, capsys: Capture) -> None:
    folder = use(lay_small_property(tmp_path))
    (folder / "sites.csv").write_text(
        f"name,role,lon_deg,lat_deg,antenna_agl_m\nTrough,sensor,{TROUGH[1]},{TROUGH[0]},1\nHouse,gateway,{HOUSE[1]},{HOUSE[0]},4\n"
    )
    assert main(["check", str(folder)]) == 2
    said = capsys.readouterr().err
    assert said.count("Longitude and latitude look swapped") == 2


def test_feet_are_told_apart_from_metres(tmp_path: Path, capsys: Capture) -> None:
    folder = lay_small_property(tmp_path, sites=changed(usual_sites(), {"House": {"antenna_agl_m": "26 ft"}}))
    assert main(["check", str(folder)]) == 2
    assert capsys.readouterr().err == (
        "sites.csv, row 4, column 'antenna_agl_m': '26 ft' is not in metres\n  Write 7.92, the same length in metres.\n"
    )


def test_cover_from_a_geopackage_stands_on_the_land(tmp_path: Path, capsys: Capture) -> None:
    import geopandas
    from shapely.geometry import box

    folder = use(lay_small_property(tmp_path), more='cover = "cover.gpkg"\n')
    wood = box(WEST_M + 240, SOUTH_M + 200, WEST_M + 290, SOUTH_M + 400)
    frame = geopandas.GeoDataFrame({"kind": ["wood_deciduous"], "height_m": [12.0], "name": ["Ash wood"]}, geometry=[wood], crs=CRS)
    frame.to_file(folder / "cover.gpkg")
    assert main(["profile", str(folder), "Trough", "South post", "--out", str(tmp_path / "out")]) == 0
    shown = capsys.readouterr().out
    assert "wood" in shown
    assert (tmp_path / "out" / "profile_trough_south-post.svg").is_file()


def test_a_raster_in_another_projection_gives_the_same_links(tmp_path: Path, capsys: Capture) -> None:
    """The ground warped by GDAL to the European equal-area projection; heights are interpolated twice, so within a decibel."""
    import json

    from rasterio.warp import calculate_default_transform, reproject

    losses = []
    for name in ("own", "other"):
        folder = lay_small_property(tmp_path / name)
        if name == "other":
            with rasterio.open(folder / "ground.tif") as source:
                place = calculate_default_transform(source.crs, "EPSG:3035", source.width, source.height, *source.bounds)
                warped = np.full((place[2], place[1]), np.nan, dtype=np.float32)
                reproject(
                    rasterio.band(source, 1), warped, dst_transform=place[0], dst_crs="EPSG:3035", dst_nodata=np.nan, resampling=1
                )
            write_raster(folder / "ground.tif", warped, crs="EPSG:3035", transform=place[0], nodata=float("nan"))
        assert main(["profile", str(folder), "Trough", "House", "--out", str(tmp_path / "out"), "--json"]) == 0
        losses.append(json.loads(capsys.readouterr().out)["margin_db"])
    assert losses[0] == pytest.approx(losses[1], abs=1.0)


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda path: path.write_bytes(path.read_bytes()[:3000]), "ground.tif: is damaged: its heights cannot be read\n"),
        (lambda path: path.write_text("hello"), "ground.tif: cannot be read as a raster"),
        (lambda path: path.unlink(), "ground.tif: there is no such file\n"),
        (lambda path: write_raster(path, bank(), crs=None), "ground.tif: does not say its projection\n"),
    ],
    ids=["cut off", "not a raster", "missing", "without projection"],
)
def test_a_raster_that_cannot_be_used_is_told(tmp_path: Path, capsys: Capture, spoil: object, said: str) -> None:
    folder = lay_small_property(tmp_path)
    assert callable(spoil)
    spoil(folder / "ground.tif")
    assert main(["check", str(folder)]) == 2
    assert capsys.readouterr().err.startswith(said)


def test_several_classes_mean_the_first_and_say_so(tmp_path: Path, capsys: Capture) -> None:
    folder = lay_small_property(tmp_path)
    assert main(["check", str(folder), "--set", 'radio=["fsk-868-50k", "css-868-sf7"]']) == 0
    shown = capsys.readouterr().out
    assert "the first, fsk-868-50k, is taken; `meshplan compare` shows them all" in shown


def test_coverage_names_gateways_and_relays_only(tmp_path: Path, capsys: Capture) -> None:
    folder = lay_small_property(tmp_path / "mine")
    out = str(tmp_path / "out")
    assert main(["plan", str(folder), "--out", out, "-q"]) == 0
    assert main(["coverage", str(folder), "--out", out, "-q", "--from", "Huose"]) == 2
    said = capsys.readouterr().err
    assert "there is no gateway or relay 'Huose'. Did you mean 'House'?" in said
    assert "Trough" not in said
    assert main(["coverage", str(folder), "--out", out, "-q"]) == 0
    with rasterio.open(tmp_path / "out" / "coverage.tif") as raster:
        assert raster.crs == CRS
        assert np.isfinite(raster.read(1)).any()
