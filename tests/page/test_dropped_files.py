"""Files that are dropped on the page: each kind comes in through its reader and is said in words; what is hostile is refused."""

from __future__ import annotations

import io
import os
import struct
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path

import geopandas
import numpy as np
import pytest
import rasterio
import shapely
from open_desk import Client, open_desk
from PIL import Image
from rasterio.transform import from_origin
from small_property import SOUTH_M, WEST_M, bank, lay_small_property, lon_lat, write_raster

from meshplan.errors import InputError
from meshplan.inputs.property import read_property
from meshplan.inputs.settings_file import read_settings
from meshplan.page.desk import Desk
from meshplan.page.drop import named_settings
from meshplan.page.toml_text import with_listed
from meshplan.page.tray import MOST_HELD, safe_name

RING = [list(lon_lat(x, y)) for x, y in ((250, 250), (350, 250), (350, 350), (250, 250))]
GPX = '<gpx version="1.1" creator="x"><wpt lat="{1}" lon="{0}"><name>Old oak</name><desc>relay</desc></wpt></gpx>'
KML = """<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark><name>Barn</name><description>relay</description>
<Point><coordinates>{0},{1}</coordinates></Point></Placemark></Document></kml>"""
WOOD = '{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {"kind": "wood", "height_m": 8}, "geometry": \
{"type": "Polygon", "coordinates": [%s]}}]}'


@pytest.fixture
def inside(tmp_path: Path) -> Iterator[tuple[Client, Desk]]:
    with open_desk(lay_small_property(tmp_path / "holding")) as pair:
        yield pair


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def text(pattern: str) -> bytes:
    return pattern.format(*lon_lat(300, 350)).encode()


def test_places_of_phone_and_map_programs_are_added_and_put_back(inside: tuple[Client, Desk]) -> None:
    client, desk = inside
    folder, before = desk.book.folder, contents(desk.book.folder)
    for name, content, site in (("walk.gpx", text(GPX), "Old oak"), ("barn.kml", text(KML), "Barn")):
        status, told = client.send(name, content)
        assert (status, told["taken"]) == (200, True)
        assert told["words"] == f"{name}: 1 point. Added as places of sensors, gateways and relays."
        assert told["step"]["files"] == sorted([name, "property.toml"])
        assert site in {one.name for one in read_property(folder).sites}
    assert read_settings(folder).sites == ("sites.csv", "walk.gpx", "barn.kml")
    client.do("/do/back")
    client.do("/do/back")
    assert contents(folder) == before
    client.do("/do/again")
    assert (folder / "walk.gpx").read_bytes() == text(GPX)


def test_shapes_are_cover_or_boundary_and_where_it_is_not_clear_one_is_asked(inside: tuple[Client, Desk]) -> None:
    client, desk = inside
    folder = desk.book.folder
    assert client.send("trees.geojson", (WOOD % RING).encode())[1]["words"].endswith(
        "Added as woods, hedges, crops, buildings and water."
    )
    assert [cover.kind for cover in read_property(folder).covers] == ["wood_deciduous"]
    frame = geopandas.GeoDataFrame({"name": ["all"]}, geometry=[shapely.box(*lon_lat(5, 5), *lon_lat(595, 595))], crs="EPSG:4326")
    path = folder.parent / "outline.gpkg"
    frame.to_file(path, driver="GPKG")
    told = client.send("outline.gpkg", path.read_bytes())[1]
    assert (told["taken"], [use["use"] for use in told["uses"]]) == (False, ["boundary", "cover", "search_ground"])
    assert not (folder / "outline.gpkg").exists(), "nothing is written before the answer"
    assert client.do("/do/take", held=told["held"], use="sites")[0] == 422
    assert client.do("/do/take", held=told["held"], use="boundary")[0] == 200
    assert read_property(folder).boundary is not None
    assert client.do("/do/take", held=told["held"], use="boundary")[0] == 422, "it is not on the tray any more"


def test_tables_of_sites_and_of_readings_are_told_apart(inside: tuple[Client, Desk]) -> None:
    client, desk = inside
    lon, lat = lon_lat(350, 350)
    told = client.send("more.csv", f"name;role;lat_deg;lon_deg\nPen;sensor;{lat};{lon}\n".encode())[1]
    assert told["words"] == "more.csv: 1 place. Added as places of sensors, gateways and relays."
    assert "Pen" in {site.name for site in read_property(desk.book.folder).sites}
    told = client.send("walk.csv", b"from,to,rssi,snr,sent,received\nBed,House,-80,9,20,20\n")[1]
    assert told["words"] == "walk.csv: 1 rows of readings. Added as readings from the field."
    assert told["step"]["files"] == ["walk.csv"], "readings are in no list of property.toml"
    status, told = client.send("wrong.csv", f"name,role,lat_deg,lon_deg\nPen2,sensr,{lat},{lon}\n".encode())
    assert (status, told["faults"][0]["key"], told["faults"][0]["row"]) == (422, "role", 2)
    status, told = client.send("twice.csv", f"name,role,lat_deg,lon_deg\nBed,sensor,{lat},{lon}\n".encode())
    assert status == 422, "a name that stands in another file already"
    assert "stands already" in told["faults"][0]["problem"]
    assert not (desk.book.folder / "twice.csv").exists()


def test_a_second_raster_is_named_beside_the_first_and_land_cover_is_no_height(inside: tuple[Client, Desk]) -> None:
    client, desk = inside
    folder = desk.book.folder
    finer = write_raster(folder.parent / "f.tif", bank(), transform=from_origin(WEST_M, SOUTH_M + 120, 1, 1)).read_bytes()
    assert (
        client.send("near.tif", finer)[1]["words"] == "near.tif: a raster of 120 × 120 cells of 1 m. Added as heights of the land."
    )
    assert [raster.file for raster in read_settings(folder).elevation] == ["ground.tif", "near.tif"]
    told = client.send("canopy_2020.tif", write_raster(folder.parent / "c.tif", bank()).read_bytes())[1]
    assert [use["use"] for use in told["uses"]] == ["classes", "canopy", "elevation"]
    assert client.do("/do/take", held=told["held"], use="canopy")[0] == 200
    assert read_settings(folder).land_cover.canopy[0].file == "canopy_2020.tif"
    client.do("/do/back")
    assert read_settings(folder).land_cover.canopy == ()
    assert not (folder / "canopy_2020.tif").exists()


def test_a_file_of_that_name_is_replaced_only_when_one_says_so(inside: tuple[Client, Desk]) -> None:
    client, desk = inside
    folder = desk.book.folder
    lon, lat = lon_lat(350, 350)
    new = f"name,role,lat_deg,lon_deg\nPen,sensor,{lat},{lon}\n".encode()
    before = contents(folder)
    told = client.send("sites.csv", new)[1]
    assert (told["taken"], told["there"]) == (False, True)
    assert client.do("/do/take", held=told["held"], use="sites")[0] == 422
    assert contents(folder) == before
    assert client.do("/do/take", held=told["held"], use="sites", beside=True)[1]["file"] == "sites-2.csv"
    assert read_settings(folder).sites == ("sites.csv", "sites-2.csv")
    client.do("/do/back")
    told = client.send("sites.csv", new)[1]
    assert client.do("/do/take", held=told["held"], use="sites", replace=True)[0] == 200
    assert (folder / "sites.csv").read_bytes() == new
    client.do("/do/back")
    assert contents(folder) == before
    told = client.send("sites.csv", new)[1]
    assert client.do("/do/leave", held=told["held"])[1]["held"] == []
    assert client.do("/do/take", held=told["held"])[0] == 422


def test_a_large_raster_is_put_back_and_done_again_from_the_disk(
    inside: tuple[Client, Desk], monkeypatch: pytest.MonkeyPatch
) -> None:
    client, desk = inside
    monkeypatch.setattr("meshplan.page.kept.MOST_IN_MEMORY_BYTES", 10_000)
    monkeypatch.setattr("meshplan.page.book.LOOKED_AT_BYTES", 10_000)
    monkeypatch.setattr("meshplan.page.book.MOST_WATCHED_BYTES", 20_000)
    folder, before = desk.book.folder, contents(desk.book.folder)
    content = write_raster(folder.parent / "f.tif", bank(), transform=from_origin(WEST_M, SOUTH_M + 120, 1, 1)).read_bytes()
    assert len(content) > 20_000
    assert client.send("near.tif", content)[1]["taken"] is True
    client.do("/do/back")
    assert contents(folder) == before
    client.do("/do/again")
    assert (folder / "near.tif").read_bytes() == content
    (folder / "near.tif").write_bytes(content[:-1] + b"\1")
    assert client.do("/do/back")[1]["step"]["words"] == "changed outside: near.tif", "what others did to it is a step too"
    assert (folder / "near.tif").read_bytes() == content
    status, told = client.do("/do/again")
    assert (status, "was too large to be kept" in told["faults"][0]["problem"]) == (422, True)
    assert (folder / "near.tif").read_bytes() == content


@pytest.mark.parametrize(
    "name",
    ["../../x.csv", "/etc/x.csv", "a/b.csv", "a\\b.csv", ".hidden.csv", "", "x" * 101 + ".csv", "CON.csv", "lpt1.csv", "x.csv.",
     "a\u202egpj.csv", "zero\u200bwidth.csv", "nul\0.csv", "new\nline.csv", "a:stream.csv", " x.csv", "what?.csv"],
)  # fmt: skip
def test_names_that_lead_elsewhere_or_deceive_are_refused(name: str) -> None:
    with pytest.raises(InputError) as caught:
        safe_name(name)
    assert caught.value.fix == "Give the file a plain name and drop it once more."
    assert "\u202e" not in str(caught.value)


def test_plain_names_in_any_script_are_taken() -> None:
    for name in ("Żeńsko łąka.csv", "поле.geojson", "obst wiese (2).kml", "a.b.tif"):
        assert safe_name(name) == name


def test_a_name_that_leads_out_of_the_folder_is_refused_over_the_wire(inside: tuple[Client, Desk]) -> None:
    client, desk = inside
    for name in ("../x.csv", "..%2fx.csv", ".x.csv", "a/b.csv"):
        status, told = client.send(name, b"name,role\n")
        assert status == 422
        assert told["faults"][0]["problem"].startswith("its name")
    assert not (desk.book.folder.parent / "x.csv").exists()
    (desk.book.folder.parent / "secret.csv").write_text("mine")
    (desk.book.folder / "linked.csv").symlink_to(desk.book.folder.parent / "secret.csv")
    lon, lat = lon_lat(350, 350)
    told = client.send("linked.csv", f"name,role,lat_deg,lon_deg\nPen,sensor,{lat},{lon}\n".encode())[1]
    assert told["there"] is True
    assert client.do("/do/take", held=told["held"], use="sites", replace=True)[0] == 422
    assert (desk.book.folder.parent / "secret.csv").read_text() == "mine"


def png_bomb(side: int) -> bytes:
    """Return a PNG that says it has side × side pixels, and holds next to none."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", side, side, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\0" * 1000)) + chunk(b"IEND", b"")


def kmz_bomb() -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("doc.kml", text(KML).decode())
        archive.writestr("big.bin", b"\0" * 60_000_000)
    return stream.getvalue()


def wide_tiff(tmp_path: Path) -> bytes:
    path = tmp_path / "wide.tif"
    with rasterio.open(path, "w", driver="GTiff", width=8, height=8, count=3, dtype="uint8") as target:
        target.write(np.zeros((3, 8, 8), dtype=np.uint8))
    return path.read_bytes()


VRT = b'<VRTDataset rasterXSize="10" rasterYSize="10"><SRS>EPSG:4326</SRS></VRTDataset>'
HOSTILE = {
    "bomb.png": (png_bomb(40_000), "million pixels"),
    "half.png": (png_bomb(9_500), "million pixels"),
    "bomb.kmz": (kmz_bomb(), "unpack to far more"),
    "no.kmz": (b"PK\3\4 and nothing more", "no .kmz"),
    "packed.zip": (kmz_bomb(), "packed"),
    "virtual.vrt": (VRT, "virtual raster"),
    "virtual.tif": (VRT, "virtual raster"),
    "service.xml": (b"<GDAL_WMS><Service name='TMS'><Url>http://127.0.0.1/</Url></Service></GDAL_WMS>", "virtual raster"),
    "picture.svg": (b'<svg xmlns="http://www.w3.org/2000/svg"><image href="http://127.0.0.1/x.png"/></svg>', "not read here"),
    "program.js": (b"alert(1)", "not read here"),
    "notes.txt": (b"hello", "not read here"),
    "laughs.kml": (b'<!DOCTYPE k [<!ENTITY a "aa">]><kml><GroundOverlay>&a;</GroundOverlay></kml>', "document type"),
    "away.kml": (
        b"<kml><GroundOverlay><Icon><href>http://127.0.0.1/x.png</href></Icon><LatLonBox><north>1</north><south>0</south><east>1</east>"
        b"<west>0</west></LatLonBox></GroundOverlay></kml>", "from another place"),
    "climbs.kml": (
        b"<kml><GroundOverlay><Icon><href>../../x.png</href></Icon><LatLonBox><north>1</north><south>0</south><east>1</east>"
        b"<west>0</west></LatLonBox></GroundOverlay></kml>", "from another place"),
    "list.geojson": (b'{"type": "FeatureCollection", "features": [' + b"[" * 100_000, "no JSON"),
    "part.shp": (b"\0\0\x27\x0a" + b"\0" * 100, "several files"),
    "lies.gpkg": (b"name,role\n", "no gpkg file"),
    "lies.jpg": (b"II*\0" + b"\0" * 100, "cannot be read as a picture"),
    "empty.csv": (b"", "empty"),
    "book.csv": (b"PK\3\4" + b"\0" * 50, ""),
}  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_what_is_hostile_or_no_file_of_ours_is_refused_with_words(name: str, tmp_path: Path) -> None:
    content, problem = HOSTILE[name]
    folder = lay_small_property(tmp_path / "holding")
    before = contents(folder)
    with open_desk(folder) as (client, desk):
        status, told = client.send(name, content)
        assert status == 422, told
        assert problem in told["faults"][0]["problem"]
        assert told["faults"][0]["fix"]
        assert desk.tray.held() == [], "and is not kept"
        assert contents(folder) == before
        assert client.ask("/ask/sheet")[0] == 200


def test_a_picture_without_place_is_no_raster_of_heights(inside: tuple[Client, Desk], tmp_path: Path) -> None:
    client, _ = inside
    status, told = client.send("wide.tif", wide_tiff(tmp_path))
    assert status == 422
    assert "where it lies" in told["faults"][0]["problem"]


def test_a_file_is_taken_in_pieces_and_cut_off_where_it_is_too_large(inside: tuple[Client, Desk]) -> None:
    client, desk = inside
    assert desk.gate is not None
    desk.gate.most_file_bytes = 1_000_000
    headers = client.usual("POST") | {"Content-Type": "application/octet-stream"}
    assert client.raw("POST", "/do/file?name=a.tif", headers | {"Content-Length": "1000001"})[0] == 413
    piece = b"10000\r\n" + b" " * 0x10000 + b"\r\n"
    chunked = headers | {"Transfer-Encoding": "chunked"}
    assert client.raw("POST", "/do/file?name=a.tif", chunked, piece * 20 + b"0\r\n\r\n")[0] == 413, "also where no length is told"
    assert desk.tray.held() == []
    assert client.raw("POST", "/do/file?name=a.tif", client.usual("POST"), b"{}")[0] == 415
    assert client.raw("POST", "/do/step", headers, b"{}")[0] == 415
    assert (
        client.raw("POST", "/do/file?name=a.tif", {key: value for key, value in headers.items() if key != "Cookie"}, b"x")[0] == 401
    )
    assert client.raw("POST", "/do/file?name=a.tif", headers | {"Origin": "http://farm.example"}, b"x")[0] == 403


def test_few_files_wait_and_they_go_with_the_desk(tmp_path: Path) -> None:
    buffer = io.BytesIO()
    Image.new("RGB", (20, 10)).save(buffer, "PNG")
    with open_desk(lay_small_property(tmp_path / "holding")) as (client, desk):
        for number in range(MOST_HELD + 3):
            assert client.send(f"p{number}.png", buffer.getvalue())[1]["pin"] is True
        held = desk.tray.held()
        assert [one.name for one in held] == [f"p{number}.png" for number in range(3, MOST_HELD + 3)]
    assert not any(one.path.exists() for one in held)


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ('name = "x" # mine\n', 'name = "x" # mine\nelevation = "b.tif"\n'),
        ('elevation = "a.tif" # lidar\n', 'elevation = ["a.tif", "b.tif"] # lidar\n'),
        ('elevation = [\n  "a.tif", # lidar\n]\n', None),
        ('name = "x"\n[[elevation]]\nfile = "a.tif" # lidar\nunit = "ft"\n', None),
        ('elevation = [{file = "a.tif", unit = "ft"}]\n', 'elevation = [{file = "a.tif", unit = "ft"}, {file = "b.tif"}]\n'),
    ],
)
def test_a_list_of_files_grows_by_one_and_keeps_what_was_said(before: str, after: str | None) -> None:
    changed = with_listed(before.encode(), "elevation", "b.tif").decode()
    assert after is None or changed == after
    assert "b.tif" in changed
    for kept in ("# lidar", "# mine", 'unit = "ft"'):
        assert (kept in before) == (kept in changed)
    assert with_listed(changed.encode(), "elevation", "b.tif").decode() == changed or "[[" in changed


def test_files_that_are_read_by_their_names_alone_stay_read(tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path / "holding")
    content = b'name = "x"\n'
    (folder / "property.toml").write_bytes(content)
    assert b'elevation = ["ground.tif", "new.tif"]' in named_settings(content, folder, "elevation", "new.tif")
    assert b'sites = ["sites.csv", "w.gpx"]' in named_settings(content, folder, "sites", "w.gpx")


def test_nothing_of_a_drop_stays_behind_in_the_folder(inside: tuple[Client, Desk]) -> None:
    client, desk = inside
    client.send("walk.gpx", text(GPX))
    assert not any(name.startswith(".") for name in os.listdir(desk.book.folder))
