"""A folder that is begun on the page: nothing is written before, all of it or nothing then, and the readers take it."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest
from open_desk import open_desk
from small_property import bank, lay_small_property, lon_lat, write_raster

from meshplan.errors import FaultList, InputError
from meshplan.inputs.land_extent import read_land_extent
from meshplan.inputs.property import read_property
from meshplan.inputs.property_files import NO_ELEVATION
from meshplan.inputs.settings_file import read_settings
from meshplan.inputs.site_files import NO_SITE_YET
from meshplan.page.ground import ground_of

LON, LAT = lon_lat(300, 300)
TOLD: dict[str, Any] = {"name": "Ostrow", "country": "Germany", "place": {"lat_deg": LAT, "lon_deg": LON}}


def listed(folder: Path) -> list[str]:
    return sorted(os.listdir(folder)) if folder.exists() else []


def test_a_new_folder_is_asked_for_and_written_as_one_step(tmp_path: Path) -> None:
    folder = tmp_path / "fields" / "ostrow"
    with open_desk(folder) as (client, desk):
        sheet = client.ask("/ask/sheet")[1]
        assert (sheet["new"], sheet["faults"], sheet["sites"], sheet["steps"]) == (True, [], [], [])
        told = client.ask("/ask/begin")[1]
        europe = next(one for one in told["lists"]["country"] if one["name"] == "europe")
        assert europe["known"] is True
        assert "germany" in europe["aliases"]
        assert any(one["name"] == "css-868-sf7" for one in told["lists"]["radio"])
        assert not (tmp_path / "fields").exists(), "nothing is written before somebody says so"
        assert desk.live.asked == [], "and nothing is planned"
        status, done = client.do("/do/begin", **TOLD, currency="PLN")
        assert status == 200
        assert done["words"] == "Written: property.toml, sites.csv."
        assert listed(folder) == ["property.toml", "sites.csv"]
        settings = read_settings(folder)
        assert (settings.name, settings.country, settings.cost.currency) == ("Ostrow", "Germany", "PLN")
        assert (settings.place.lat_deg, settings.place.lon_deg) == (round(LAT, 7), round(LON, 7))
        sheet = client.ask("/ask/sheet")[1]
        assert (sheet["new"], sheet["faults"]) == (False, [])
        assert sheet["where"] == {"lat_deg": round(LAT, 7), "lon_deg": round(LON, 7)}
        assert {fault["problem"] for fault in sheet["wants"]} == {
            NO_SITE_YET, NO_ELEVATION, "there is no sensor",
        }  # fmt: skip
        assert client.do("/do/begin", **TOLD)[0] == 409, "somebody began it"
        assert client.do("/do/back")[1]["place"] == 0
        assert listed(folder) == []
        assert client.ask("/ask/sheet")[1]["new"] is True
        client.do("/do/again")
        assert listed(folder) == ["property.toml", "sites.csv"]


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"name": " "}, "name"),
        ({"country": "Atlantis"}, "country"),
        ({"place": {"lat_deg": 95, "lon_deg": 0}}, "place.lat_deg"),
        ({"radio": "no-such-radio"}, "radio"),
    ],
)
def test_what_does_not_fit_is_said_beside_its_field_and_nothing_is_written(
    change: dict[str, Any], key: str, tmp_path: Path
) -> None:
    with open_desk(tmp_path / "new") as (client, _):
        status, told = client.do("/do/begin", **TOLD | change)
        assert status == 422
        assert told["faults"][0]["key"] == key
        assert told["faults"][0]["problem"]
        assert not (tmp_path / "new").exists()


def test_a_folder_that_cannot_be_made_is_told_and_nothing_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    usual = Path.replace

    def refused(path: Path, target: Path) -> Path:
        if path.name == "sites.csv" and ".old" not in path.parts:
            raise OSError(28, "No space left on device", str(path))
        return usual(path, target)

    with open_desk(tmp_path / "new") as (client, _):
        monkeypatch.setattr(Path, "replace", refused)
        status, told = client.do("/do/begin", **TOLD)
        assert (status, "cannot be written" in told["faults"][0]["problem"]) == (422, True)
        assert listed(tmp_path / "new") == []


def test_sensors_gateway_and_woods_are_drawn_into_a_folder_without_any_until_it_can_be_planned(tmp_path: Path) -> None:
    folder = tmp_path / "new"
    place = {"lon_deg": LON, "lat_deg": LAT}
    ring = [list(lon_lat(x, y)) for x, y in ((50, 50), (150, 50), (150, 120), (50, 50))]
    with open_desk(folder) as (client, _):
        client.do("/do/begin", **TOLD)
        area = {"type": "Polygon", "coordinates": [ring]}
        cover = {"what": "shape.add", "use": "cover", "values": {"kind": "wood", "height_m": 9}, "geometry": area}
        outline = [list(lon_lat(x, y)) for x, y in ((5, 5), (595, 5), (595, 595), (5, 595), (5, 5))]
        border = {"what": "shape.add", "use": "boundary", "geometry": {"type": "Polygon", "coordinates": [outline]}}
        assert client.do("/do/step", do=[cover])[0] == 200, "before there is any site or raster"
        assert client.do("/do/step", do=[border])[0] == 200
        bed = {"what": "site.add", "file": "sites.csv", "values": {"name": "Bed", "role": "sensor"}, "place": place}
        assert client.do("/do/step", do=[bed])[0] == 200
        assert client.do("/do/step", do=[{"what": "site.drop", "file": "sites.csv", "name": "Bed"}])[0] == 200, "the last one too"
        assert client.ask("/ask/sheet")[1]["faults"] == []
        house = dict(zip(("lon_deg", "lat_deg"), lon_lat(200, 200), strict=True))
        house_edit = {"what": "site.add", "file": "sites.csv", "values": {"name": "House", "role": "gateway"}, "place": house}
        assert client.do("/do/step", do=[bed, house_edit])[0] == 200
        content = write_raster(tmp_path / "g.tif", bank()).read_bytes()
        assert client.send("ground.tif", content)[0] == 200
        assert client.ask("/ask/sheet")[1]["wants"] == []
        assert {site.name for site in read_property(folder).sites} == {"Bed", "House"}


def test_a_table_of_sites_is_made_where_only_a_phones_file_is_there(tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path / "holding")
    (folder / "sites.csv").unlink()
    gpx = '<gpx version="1.1" creator="x"><wpt lat="{1}" lon="{0}"><name>House</name><desc>gateway</desc></wpt></gpx>'
    (folder / "walk.gpx").write_text(gpx.format(LON, LAT))
    toml = folder / "property.toml"
    toml.write_text(toml.read_text().replace('sites = "sites.csv"', 'sites = "walk.gpx"'))
    with open_desk(folder) as (client, _):
        place = dict(zip(("lon_deg", "lat_deg"), lon_lat(100, 300), strict=True))
        add = {"what": "site.add", "values": {"name": "Bed", "role": "sensor"}, "place": place}
        status, told = client.do("/do/step", do=[add])
        assert (status, told["step"]["files"]) == (200, ["property.toml", "sites.csv"])
        assert {site.name for site in read_property(folder).sites} == {"House", "Bed"}
        client.do("/do/back")
        assert 'sites = "walk.gpx"' in toml.read_text()


def test_a_place_stands_for_the_sites_while_there_are_none(tmp_path: Path) -> None:
    (tmp_path / "property.toml").write_text(f'name = "x"\n[place]\nlat_deg = {LAT}\nlon_deg = {LON}\n')
    extent = read_land_extent(tmp_path, 250.0)
    west, south, east, north = extent.needed
    assert west < LON < east
    assert south < LAT < north
    assert extent.wide_m == pytest.approx(2000.0)
    (tmp_path / "sites.csv").write_text("name,role,lat_deg,lon_deg\n")
    assert read_land_extent(tmp_path, 250.0).needed == extent.needed
    lon, lat = lon_lat(5000, 300)
    (tmp_path / "sites.csv").write_text(f"name,role,lat_deg,lon_deg\nBed,sensor,{lat},{lon}\n")
    assert not read_land_extent(tmp_path, 250.0).needed[0] < LON, "once there is a site, the place says nothing"
    (tmp_path / "sites.csv").unlink()
    (tmp_path / "property.toml").write_text(f'name = "x"\n[place]\nlat_deg = {LAT}\n')
    with pytest.raises(InputError, match="half named"):
        read_land_extent(tmp_path, 250.0)
    (tmp_path / "property.toml").write_text('name = "x"\n')
    with pytest.raises((InputError, FaultList), match=r"no sites\.csv"):
        read_land_extent(tmp_path, 250.0)


def test_ground_is_drawn_without_any_site_first_coarse_then_fine(tmp_path: Path) -> None:
    folder = tmp_path / "new"
    write_raster(tmp_path / "g.tif", bank())
    folder.mkdir()
    (folder / "ground.tif").write_bytes((tmp_path / "g.tif").read_bytes())
    (folder / "property.toml").write_text('name = "x"\n')
    coarse, fine = ground_of(folder, fine=False), ground_of(folder, fine=True)
    for ground in (coarse, fine):
        assert ground.faults == ()
        assert ground.picture is not None
        (south, west), (north, east) = ground.picture.bounds
        assert west < LON < east
        assert south < LAT < north
        assert (ground.low_m, ground.high_m) == (pytest.approx(100, abs=0.5), pytest.approx(125, abs=1.5))
    assert fine.cell_m == pytest.approx(5.0, rel=0.02)
    assert coarse.words == fine.words == "Ground from ground.tif, heights 100 to 125 m."
    (folder / "ground.tif").write_bytes(b"II*\0" + b"\0" * 100)
    broken = ground_of(folder, fine=True)
    assert broken.picture is None
    assert broken.faults[0].where == "ground.tif"
    (folder / "ground.tif").unlink()
    assert ground_of(folder, fine=True).words == "There is no ground yet."


def test_files_that_came_before_the_beginning_come_with_it_and_give_the_place(tmp_path: Path) -> None:
    folder = tmp_path / "new"
    content = write_raster(tmp_path / "g.tif", bank()).read_bytes()
    with open_desk(folder) as (client, _):
        status, told = client.send("ground.tif", content)
        assert (status, told["taken"]) == (200, False)
        assert told["uses"][0]["use"] == "elevation"
        assert told["where"]["lat_deg"] == pytest.approx(LAT, abs=1e-3)
        assert not folder.exists()
        status, done = client.do("/do/begin", name="Ostrow", held=[told["held"]])
        assert (status, done["words"]) == (200, "Written: ground.tif, property.toml, sites.csv.")
        assert read_settings(folder).place.lat_deg == pytest.approx(LAT, abs=1e-3)
        assert read_settings(folder).elevation[0].file == "ground.tif"
        ground = client.ask("/ask/ground?fine=no")[1]
        assert json.dumps(ground["picture"]).startswith('{"uri": "data:image/webp')
        client.do("/do/back")
        client.do("/do/back")
        assert listed(folder) == []
        client.do("/do/again")
        client.do("/do/again")
        assert (folder / "ground.tif").read_bytes() == content
