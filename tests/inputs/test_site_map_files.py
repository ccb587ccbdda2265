"""Sites from map files and from what a phone records."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path
from typing import Any

import geopandas
import pytest
import shapely

from meshplan.inputs.site_files import read_site_file
from meshplan.inputs.sites import SiteList, sites_from_tables
from meshplan.records import Role

POINTS = [
    {"name": "Gate", "role": "sensor", "antenna_agl_m": 1.2, "at": (8.5, 50.1)},
    {"name": "House", "role": "gateway", "antenna_agl_m": 6.0, "at": (8.51, 50.11)},
]


def read(path: Path, crs: str | None = None) -> SiteList:
    return sites_from_tables([read_site_file(path, path.name, crs)], crs)


def frame(crs: str = "EPSG:4326") -> geopandas.GeoDataFrame:
    fields = [{key: value for key, value in point.items() if key != "at"} for point in POINTS]
    places = [shapely.Point(point["at"]) for point in POINTS]
    return geopandas.GeoDataFrame(fields, geometry=places, crs="EPSG:4326").to_crs(crs)


def geojson(tmp_path: Path, features: list[dict[str, Any]]) -> Path:
    path = tmp_path / "sites.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")
    return path


def point(properties: dict[str, Any], at: tuple[float, float] | None = (8.5, 50.1)) -> dict[str, Any]:
    geometry = None if at is None else {"type": "Point", "coordinates": at}
    return {"type": "Feature", "properties": properties, "geometry": geometry}


@pytest.mark.parametrize("suffix", [".geojson", ".gpkg", ".shp", ".kml", ".fgb"])
def test_every_map_format_gives_the_same_sites(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"sites{suffix}"
    table = frame()
    if suffix == ".shp":
        table = table.rename(columns={"antenna_agl_m": "height_m"})  # a Shapefile keeps ten letters of a name
    table.to_file(path, driver="LIBKML" if suffix == ".kml" else None)
    result = read(path)
    assert [str(fault) for fault in result.faults] == []
    assert sorted((site.name, site.role, site.antenna_agl_m) for site in result.sites) == [
        ("Gate", Role.SENSOR, 1.2),
        ("House", Role.GATEWAY, 6.0),
    ]
    for site, given in zip(sorted(result.sites, key=lambda site: site.name), POINTS, strict=True):
        assert (site.lon_deg, site.lat_deg) == pytest.approx(given["at"], abs=1e-7)


def test_the_projection_of_a_file_is_heeded(tmp_path: Path) -> None:
    path = tmp_path / "sites.gpkg"
    frame("EPSG:25832").to_file(path)
    assert [site.lon_deg for site in read(path).sites] == pytest.approx([8.5, 8.51], abs=1e-8)


def test_a_file_without_projection_is_a_fault_unless_the_property_names_one(tmp_path: Path) -> None:
    path = tmp_path / "sites.shp"
    frame("EPSG:25832").rename(columns={"antenna_agl_m": "height_m"}).to_file(path)
    (tmp_path / "sites.prj").unlink()
    assert [str(fault) for fault in read(path).faults] == [
        "sites.shp: the file does not say its projection\n"
        '  Export it again with its projection, or write crs = "EPSG:…" in property.toml.'
    ]
    assert [site.lon_deg for site in read(path, "EPSG:25832").sites] == pytest.approx([8.5, 8.51], abs=1e-8)


def test_messages_name_the_feature_and_the_field(tmp_path: Path) -> None:
    path = geojson(
        tmp_path,
        [
            point({"name": "Gate", "role": "sensor", "antenna_agl_m": "2,5"}),
            point({"name": "House", "role": "gatway", "antenna_agl_m": 4}),
            point({"name": "Post", "role": "relay", "antenna_agl_m": 4}, at=None),
            point({"name": None, "role": "relay", "antenna_agl_m": 4}),
        ],
    )
    assert sorted(str(fault) for fault in read(path).faults) == [
        "sites.geojson, feature 1, field 'antenna_agl_m': '2,5' is not a number\n  Write 2.5 with a decimal point.",
        "sites.geojson, feature 2, field 'role': 'gatway' is not known. Did you mean 'gateway'?\n"
        "  Write one of: sensor, gateway, relay.",
        "sites.geojson, feature 3: has no position\n  Give it a point, or remove it.",
        "sites.geojson, feature 4, field 'name': is empty\n  Give it: Name of the place, used once.",
    ]


def test_lists_in_a_file_are_read_as_lists(tmp_path: Path) -> None:
    path = geojson(tmp_path, [point({"name": "Mast", "role": "relay", "mast_heights_agl_m": [4, 6, 8]})])
    result = read(path)
    assert [str(fault) for fault in result.faults] == []
    assert result.sites[0].heights_agl_m == (4.0, 6.0, 8.0)


def test_areas_in_a_sites_file_are_told_and_not_read(tmp_path: Path) -> None:
    field = {"type": "Polygon", "coordinates": [[(8, 50), (9, 50), (9, 51), (8, 50)]]}
    path = geojson(
        tmp_path,
        [
            point({"name": "Gate", "role": "sensor"}),
            {"type": "Feature", "properties": {"name": "F", "role": "x"}, "geometry": field},
        ],
    )
    result = read(path)
    assert [site.name for site in result.sites] == ["Gate"]
    assert result.warnings == ["sites.geojson: 1 lines or areas are not points and are not read as sites."]


GPX = """<?xml version="1.0"?>
<gpx version="1.1" creator="walk" xmlns="http://www.topografix.com/GPX/1/1">
<wpt lat="50.1" lon="8.5"><ele>212.4</ele><time>2024-05-01T10:00:00Z</time><name>Hill post</name><type>relay</type></wpt>
<wpt lat="50.2" lon="8.6"><name>House</name><desc>role: gateway; antenna_agl_m: 6; power: mains</desc></wpt>
<wpt lat="50.3" lon="8.7"><name>Frost sensor 3</name><desc>beside the ditch</desc></wpt>
<wpt lat="50.4" lon="8.8"><name>Ditch</name></wpt>
<trk><name>walk</name><trkseg><trkpt lat="50" lon="8"/><trkpt lat="51" lon="8"/></trkseg></trk>
</gpx>
"""


def test_waypoints_of_a_phone_become_sites_and_every_guess_is_told(tmp_path: Path) -> None:
    path = tmp_path / "walk.gpx"
    path.write_text(GPX, encoding="utf-8")
    result = read(path)
    assert [str(fault) for fault in result.faults] == []
    assert [(site.name, site.role, site.antenna_agl_m, site.height_assumed) for site in result.sites] == [
        ("Hill post", Role.RELAY, 3.0, True),
        ("House", Role.GATEWAY, 6.0, False),
        ("Frost sensor 3", Role.SENSOR, 1.0, True),
        ("Ditch", Role.SENSOR, 1.0, True),
    ]
    assert (result.sites[0].lon_deg, result.sites[0].lat_deg) == pytest.approx((8.5, 50.1))
    assert result.assumptions[:3] == [
        "walk.gpx, waypoint 1: 'Hill post' is taken as a relay, because its type says 'relay'.",
        "walk.gpx, waypoint 3: 'Frost sensor 3' is taken as a sensor, because its name says 'sensor'.",
        "walk.gpx, waypoint 4: 'Ditch' says no role and is taken as a sensor.",
    ]


def test_a_track_without_waypoints_is_a_fault(tmp_path: Path) -> None:
    path = tmp_path / "walk.gpx"
    path.write_text(GPX[: GPX.index("<wpt")] + GPX[GPX.index("<trk") :], encoding="utf-8")
    assert [str(fault) for fault in read(path).faults] == [
        "walk.gpx: holds no points\n  Mark each site as a waypoint or draw it as a point."
    ]


KML = """<?xml version="1.0" encoding="UTF-8"?>
<kml xmlns="http://www.opengis.net/kml/2.2"><Document>
<Folder><name>Farm</name>
<Placemark><name>Barn gateway</name><Point><coordinates>8.5,50.1,0</coordinates></Point></Placemark>
<Placemark><name>Trough</name><description><![CDATA[role = sensor<br>antenna_agl_m = 0.8<br>interval = 30 min]]></description>
<Point><coordinates>8.6,50.2</coordinates></Point></Placemark></Folder>
<Folder><name>Fields</name><Placemark><name>Pond</name><Polygon><outerBoundaryIs><LinearRing><coordinates>
8,50 9,50 9,51 8,50</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark></Folder>
</Document></kml>
"""


def test_placemarks_of_all_folders_are_read(tmp_path: Path) -> None:
    path = tmp_path / "farm.kml"
    path.write_text(KML, encoding="utf-8")
    result = read(path)
    assert [str(fault) for fault in result.faults] == []
    assert [(site.name, site.role, site.antenna_agl_m, site.interval_s) for site in result.sites] == [
        ("Barn gateway", Role.GATEWAY, 4.0, 900.0),
        ("Trough", Role.SENSOR, 0.8, 1800.0),
    ]
    assert "farm.kml: 1 lines or areas are not points and are not read as sites." in result.warnings


def test_a_packed_kml_is_read(tmp_path: Path) -> None:
    path = tmp_path / "farm.kmz"
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("doc.kml", KML)
    assert [site.name for site in read(path).sites] == ["Barn gateway", "Trough"]


@pytest.mark.parametrize("name", ["sites.geojson", "sites.gpkg", "sites.kml", "sites.gpx"])
def test_a_broken_file_is_one_plain_message_without_the_path_of_the_machine(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_bytes(b"\x00\x01 this is nothing")
    faults = read(path).faults
    assert len(faults) == 1
    first, second = str(faults[0]).splitlines()
    assert first.startswith(f"{name}: cannot be read (")
    assert str(tmp_path) not in first
    assert second == "  Open it in a map program and export it again as GeoJSON, GeoPackage, KML, GPX or Shapefile."


def test_an_empty_collection_is_a_fault(tmp_path: Path) -> None:
    assert [str(fault) for fault in read(geojson(tmp_path, [])).faults] == [
        "sites.geojson: holds no points\n  Mark each site as a waypoint or draw it as a point."
    ]
