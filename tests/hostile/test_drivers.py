"""No file of a stranger makes meshplan open an address or another file, whichever driver GDAL has for it."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
import rasterio
from small_property import SOUTH_M, WEST_M, lay_small_property, lon_lat

from meshplan.cli import main
from meshplan.errors import InputError
from meshplan.inputs.file_content import judge_shapes, open_raster, raster_drivers
from meshplan.inputs.gdal_drivers import ALLOWED, OFF

Capture = pytest.CaptureFixture[str]

LISTED = """
import json
import rasterio._env, pyogrio, ctypes, glob, os, sys
from rasterio.env import Env
found = set()
with Env() as env:
    found |= set(env.drivers())
found |= set(pyogrio.list_drivers())
for package in ("rasterio", "pyogrio"):
    home = os.path.dirname(__import__(package).__file__)
    for library in glob.glob(os.path.join(home + ".libs", "libgdal*.so*")):
        gdal = ctypes.CDLL(library)
        gdal.GDALAllRegister()
        gdal.GDALGetDriver.restype = gdal.GDALGetDriverShortName.restype = ctypes.c_void_p
        gdal.GDALGetDriverShortName.argtypes = [ctypes.c_void_p]
        for number in range(gdal.GDALGetDriverCount()):
            name = gdal.GDALGetDriverShortName(gdal.GDALGetDriver(number))
            found.add(ctypes.cast(name, ctypes.c_char_p).value.decode())
print(json.dumps(sorted(found)))
"""


def drivers_of_a_process(before: str = "") -> set[str]:
    """Return the drivers that both GDALs have loaded in a new process."""
    fresh = {name: value for name, value in os.environ.items() if name not in ("GDAL_SKIP", "OGR_SKIP")}
    words = [sys.executable, "-c", before + LISTED]
    done = subprocess.run(words, capture_output=True, text=True, check=True, timeout=120, env=fresh)
    return set(json.loads(done.stdout.splitlines()[-1]))


def test_every_driver_of_the_wheels_is_known_and_off_unless_it_is_needed() -> None:
    """A new GDAL that brings a driver must have it looked at: is it needed (ALLOWED), or does it stay off (OFF)?"""
    all_of_them = drivers_of_a_process()
    assert len(all_of_them) > 80
    assert not all_of_them - ALLOWED - set(OFF), "look at what these do, then put each into ALLOWED or OFF"
    assert not ALLOWED & set(OFF)
    left = drivers_of_a_process("from meshplan.inputs.gdal_drivers import close_doors; close_doors()\n")
    assert left <= ALLOWED
    assert {"GTiff", "GPKG", "GeoJSON"} <= left


class Listener:
    """A server that only counts who calls."""

    def __init__(self) -> None:
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port = self._socket.getsockname()[1]
        self.calls: list[bytes] = []
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        while True:
            try:
                peer, _ = self._socket.accept()
            except OSError:
                return
            peer.settimeout(2.0)
            try:
                self.calls.append(peer.recv(400))
                peer.sendall(b"HTTP/1.0 404 Not Found\r\nContent-Length: 0\r\n\r\n")
            except OSError:
                self.calls.append(b"?")
            peer.close()

    def close(self) -> None:
        self._socket.close()


@contextmanager
def listening() -> Iterator[Listener]:
    listener = Listener()
    try:
        yield listener
    finally:
        listener.close()


def vrt(source: str) -> str:
    return (
        f'<VRTDataset rasterXSize="120" rasterYSize="120"><SRS>EPSG:32627</SRS><GeoTransform>{WEST_M},5,0,{SOUTH_M + 600},0,-5'
        '</GeoTransform><VRTRasterBand dataType="Float32" band="1"><SimpleSource><SourceFilename relativeToVRT="0">'
        f"{source}</SourceFilename><SourceBand>1</SourceBand></SimpleSource></VRTRasterBand></VRTDataset>"
    )


def geojson(**more: object) -> str:
    corners = [lon_lat(x, y) for x, y in ((10, 10), (50, 10), (50, 50), (10, 10))]
    wood = {"type": "Polygon", "coordinates": [corners]}
    feature = {"type": "Feature", "properties": {"kind": "wood", "height_m": 8}, "geometry": wood}
    return json.dumps({"type": "FeatureCollection", "features": [feature], **more})


def poisons(at: str) -> dict[str, tuple[str, str]]:
    """Return file name and text of files that point to an address, in whatever name would let GDAL take them."""
    wms = f'<GDAL_WMS><Service name="TMS"><ServerUrl>{at}/${{z}}/${{x}}/${{y}}.tif</ServerUrl></Service></GDAL_WMS>'
    source = f"<SrcDataSource>/vsicurl/{at}/x.geojson</SrcDataSource>"
    ogr = f'<OGRVRTDataSource><OGRVRTLayer name="l">{source}</OGRVRTLayer></OGRVRTDataSource>'
    wfs = f"<OGRWFSDataSource><URL>{at}/wfs?</URL></OGRWFSDataSource>"
    gti = f"<GDALTileIndexDataset><IndexDataset>/vsicurl/{at}/i.gpkg</IndexDataset></GDALTileIndexDataset>"
    pds = f'{{"type": "Feature", "stac_version": "1.0.0", "assets": {{"a": {{"href": "{at}/a.tif"}}}}}}'
    esri = f'{{"currentVersion": 10, "layers": [], "url": "{at}"}}'
    found: dict[str, tuple[str, str]] = {}
    for kind, text in {
        "vrt": vrt(f"/vsicurl/{at}/x.tif"), "wms": wms, "wfs": wfs, "gti": gti, "stac": pds, "ogrvrt": ogr,
        "mrf": f"<MRF_META><CachedSource><Source>/vsicurl/{at}/x.tif</Source></CachedSource></MRF_META>",
        "wcs": f"<WCS_GDAL><ServiceURL>{at}/wcs?</ServiceURL><CoverageName>c</CoverageName></WCS_GDAL>",
        "wmts": f"<GDAL_WMTS><GetCapabilitiesUrl>{at}/c.xml</GetCapabilitiesUrl></GDAL_WMTS>",
        "capabilities": f'<Capabilities xmlns="http://www.opengis.net/wmts/1.0"><ServiceMetadataURL href="{at}"/></Capabilities>',
    }.items():  # fmt: skip
        for suffix in ("tif", "vrt", "img", "asc", "xyz"):
            found[f"elevation {kind} as {suffix}"] = (f"poison.{suffix}", text)
    for kind, text in {"ogrvrt": ogr, "wfs": wfs, "esri": esri, "stac": pds, "gti": gti}.items():
        for suffix in ("geojson", "json", "kml", "gpx", "gml", "vrt", "shp", "gpkg"):
            found[f"cover {kind} as {suffix}"] = (f"poison.{suffix}", text)
    for key, crs in {
        "link": {"type": "link", "properties": {"href": f"{at}/crs", "type": "proj4"}},
        "url": {"type": "url", "properties": {"url": f"{at}/crs"}},
        "name": {"type": "name", "properties": {"name": f"{at}/def/crs"}},
    }.items():
        found[f"cover crs {key}"] = ("poison.geojson", geojson(crs=crs))
        found[f"cover CRS {key}"] = ("poison.geojson", geojson(CRS=crs))
    spaces = 'xmlns:gml="http://www.opengis.net/gml" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"'
    schema = f'xsi:schemaLocation="urn:x {at}/s.xsd"'
    gml = f"<gml:FeatureCollection {spaces} {schema}><gml:featureMember/></gml:FeatureCollection>"
    found["cover gml schema"] = ("poison.gml", gml)
    found["cover gml link"] = (
        "poison.gml",
        gml.replace("<gml:featureMember/>", f'<gml:featureMember xmlns:x="http://www.w3.org/1999/xlink" x:href="{at}/f#a"/>'),
    )
    kml = f'<kml xmlns="http://www.opengis.net/kml/2.2"><Document><NetworkLink><Link><href>{at}/l.kml</href></Link></NetworkLink></Document></kml>'
    found["cover kml link"] = ("poison.kml", kml)
    entity = (
        f'<!DOCTYPE kml [<!ENTITY e SYSTEM "{at}/e">]><kml xmlns="http://www.opengis.net/kml/2.2"><Document>&e;</Document></kml>'
    )
    found["cover kml entity"] = ("poison.kml", entity)
    return found


def poisoned(folder: Path, key: str, name: str, text: str) -> Path:
    """Lay a property that names one such file; cover is read besides, elevation in place of the good raster."""
    lay_small_property(folder, settings="" if key == "elevation" else f'{key} = "{name}"\n')
    if key == "elevation":
        settings = folder / "property.toml"
        settings.write_text(settings.read_text().replace('"ground.tif"', f'"{name}"'))
    (folder / name).write_text(text)
    return folder


def test_no_poisoned_folder_makes_a_connection(tmp_path: Path, capsys: Capture) -> None:
    """In this process, whose GDAL has all its drivers: what is judged by content must already keep the doors shut."""
    with listening() as listener:
        at = f"http://127.0.0.1:{listener.port}"
        cases = poisons(at)
        assert len(cases) > 90
        for number, (case, (name, text)) in enumerate(cases.items()):
            folder = poisoned(tmp_path / str(number), case.split()[0], name, text)
            code = main(["check", str(folder)])
            said = capsys.readouterr().err
            assert not listener.calls, case
            assert "Traceback" not in said, case
            assert code == 2, (case, said)
            assert name in said, case


CHECKED = """
import os, sys
from meshplan.cli import main
def told(event, words):
    if event in ("socket.connect", "socket.sendto", "socket.sendmsg", "socket.getaddrinfo", "socket.gethostbyname"):
        os.write(2, f"SOCKET {event} {words}".encode())
sys.addaudithook(told)
sys.exit(main(sys.argv[1:]))
"""


def test_the_plan_and_a_check_make_no_connection_in_a_process_of_their_own(tmp_path: Path) -> None:
    """Python tells every connection and look-up; what compiled libraries would ask for goes to a proxy that listens."""
    folder = lay_small_property(tmp_path / "property")
    with listening() as listener:
        proxy = f"http://127.0.0.1:{listener.port}"
        names = ("http_proxy", "https_proxy", "all_proxy", "HTTP_PROXY", "HTTPS_PROXY", "ALL_PROXY", "GDAL_HTTP_PROXY")
        surroundings = {**os.environ, **dict.fromkeys(names, proxy), "PROJ_NETWORK": "ON"}
        for words in (["check", str(folder)], ["plan", str(folder), "--out", str(tmp_path / "out"), "-q"]):
            done = subprocess.run(
                [sys.executable, "-c", CHECKED, *words], capture_output=True, text=True, check=False, env=surroundings, timeout=300
            )
            assert done.returncode == 0, done.stderr
            assert "SOCKET" not in done.stderr
        assert not listener.calls
    assert (tmp_path / "out" / "map.html").is_file()


def test_the_listener_hears_who_calls() -> None:
    """The control: without it the tests above could not fail."""
    with listening() as listener:
        with socket.create_connection(("127.0.0.1", listener.port)) as peer:
            peer.sendall(b"GET / HTTP/1.0\r\n\r\n")
            peer.recv(100)
        assert len(listener.calls) == 1


@pytest.mark.parametrize("suffix", ["vrt", "tif", "asc"])
def test_a_raster_takes_no_bytes_of_another_file(suffix: str, tmp_path: Path, capsys: Capture) -> None:
    """A raw band would show any file of the machine as heights."""
    secret = tmp_path / "secret.bin"
    secret.write_bytes(bytes(120 * 120 * 4))
    raw = vrt("x").replace(
        '<SimpleSource><SourceFilename relativeToVRT="0">x</SourceFilename><SourceBand>1</SourceBand></SimpleSource>',
        f'<SourceFilename relativeToVRT="0">{secret}</SourceFilename>',
    )
    raw = raw.replace('band="1"', 'band="1" subClass="VRTRawRasterBand"')
    folder = poisoned(tmp_path / "property", "elevation", f"ground2.{suffix}", raw)
    assert main(["check", str(folder)]) == 2
    assert "it holds no heights, it names other files or addresses" in capsys.readouterr().err


@pytest.mark.parametrize("ending", [".ovr", ".msk"])
def test_a_file_beside_that_is_no_tiff_is_refused(ending: str, tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path / "property")
    (folder / f"ground.tif{ending}").write_text(vrt("/etc/passwd"))
    with pytest.raises(InputError, match="is no TIFF file"):
        raster_drivers(folder / "ground.tif", "ground.tif")


def test_a_description_beside_that_names_another_file_is_refused(tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path / "property")
    (folder / "ground.tif.aux.xml").write_text(
        '<PAMDataset><Metadata domain="OVERVIEWS"><MDI key="OVERVIEW_FILE">/vsicurl/http://127.0.0.1:9/x.tif</MDI></Metadata></PAMDataset>'
    )
    with pytest.raises(InputError, match="names another file"):
        raster_drivers(folder / "ground.tif", "ground.tif")


def test_a_description_inside_that_names_another_file_is_refused(tmp_path: Path, capsys: Capture) -> None:
    folder = lay_small_property(tmp_path / "property")
    other = lay_small_property(tmp_path / "other")
    with rasterio.open(folder / "ground.tif", "r+") as source:
        source.update_tags(ns="OVERVIEWS", OVERVIEW_FILE=str(other / "ground.tif"))
    assert main(["check", str(folder)]) == 2
    assert "names another file" in capsys.readouterr().err


def test_usual_files_are_still_opened(tmp_path: Path) -> None:
    """The walls let through what people have: a raster with overviews and statistics, named projections, curves of all formats."""
    folder = lay_small_property(tmp_path / "property")
    path = folder / "ground.tif"
    (folder / "ground.tif.aux.xml").write_text('<PAMDataset><Metadata><MDI key="STATISTICS_MEAN">101</MDI></Metadata></PAMDataset>')
    with rasterio.open(path) as source:  # closed to changes, so its overviews lie beside it
        pass
    with rasterio.Env(TIFF_USE_OVR=True), rasterio.open(path, "r+") as source:
        source.build_overviews([2, 4], rasterio.enums.Resampling.average)
    assert (folder / "ground.tif.ovr").is_file()
    with open_raster(path, "ground.tif") as source:
        assert np.isfinite(source.read(1)).all()
    for crs in ("urn:ogc:def:crs:OGC:1.3:CRS84", "urn:ogc:def:crs:EPSG::25832", "EPSG:4326"):
        shapes = tmp_path / "woods.geojson"
        shapes.write_text(geojson(crs={"type": "name", "properties": {"name": crs}}))
        judge_shapes(shapes, "woods.geojson", "GeoJSON")
    shapes.write_text(geojson(crs=None))
    judge_shapes(shapes, "woods.geojson", "GeoJSON")
