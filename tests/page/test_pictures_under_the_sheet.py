"""Pictures to draw on: pins by least squares against drawn truths, nonsense refused, warped pictures with marks found back."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from open_desk import Client, open_desk
from PIL import Image
from pyproj import Transformer
from rasterio.transform import from_origin
from small_property import CRS, SOUTH_M, WEST_M, lay_small_property, lon_lat

from meshplan.errors import InputError
from meshplan.inputs.vector import WGS84, point_mover
from meshplan.page.desk import Desk
from meshplan.page.picture_files import PictureEntry, read_pictures, written_pictures
from meshplan.page.picture_warp import WEB_MERCATOR, warp, warped_pixels
from meshplan.page.pins import Fit, Pin, Placing, fit_pins

WIDE_PX, HIGH_PX = 600, 400
TO_DEGREES = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
SPREAD = [(50, 40), (560, 60), (540, 370), (60, 350), (300, 200), (150, 300), (450, 120), (320, 30)]


def camera(turn_deg: float = 23.0, tilt: float = 0.0, m_per_px: float = 0.5) -> NDArray[np.float64]:
    """Return the matrix of a photo over the holding: pixels to metres from its south-west corner, seen from above."""
    angle = np.radians(turn_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]) @ np.diag([m_per_px, -m_per_px])
    matrix = np.eye(3)
    matrix[:2, :2] = turn
    matrix[:2, 2] = np.array([300.0, 300.0]) - turn @ [WIDE_PX / 2, HIGH_PX / 2]
    lean = np.eye(3)
    lean[2, :2] = tilt / WIDE_PX, tilt / 3 / WIDE_PX
    return matrix @ lean


def ground(matrix: NDArray[np.float64], x_px: float, y_px: float) -> tuple[float, float]:
    x, y, w = matrix @ [x_px, y_px, 1.0]
    return float(x / w), float(y / w)


def pin(matrix: NDArray[np.float64], x_px: float, y_px: float, off_m: tuple[float, float] = (0.0, 0.0)) -> Pin:
    x, y = ground(matrix, x_px, y_px)
    lon, lat = lon_lat(x + off_m[0], y + off_m[1])
    return Pin(x_px=x_px, y_px=y_px, lon_deg=lon, lat_deg=lat)


def apart_m(fit: Any, matrix: NDArray[np.float64]) -> float:
    """Return how far the fit puts the corners and the middle from where they are, at worst."""
    found = []
    for x_px, y_px in ((0, 0), (WIDE_PX, 0), (WIDE_PX, HIGH_PX), (0, HIGH_PX), (300, 200)):
        x, y = fit.placing.to_plane(np.array([float(x_px)]), np.array([float(y_px)]))
        lon, lat = point_mover(fit.placing.crs, WGS84)(x, y)
        east, north = point_mover(WGS84, CRS)(lon, lat)
        true = ground(matrix, x_px, y_px)
        found.append(float(np.hypot(east[0] - WEST_M - true[0], north[0] - SOUTH_M - true[1])))
    return max(found)


@given(turn_deg=st.floats(-180, 180), m_per_px=st.floats(0.05, 20), count=st.sampled_from([3, 4]))
def test_pins_of_a_turned_photo_give_it_back(turn_deg: float, m_per_px: float, count: int) -> None:
    matrix = camera(turn_deg, m_per_px=m_per_px)
    fit = fit_pins([pin(matrix, *SPREAD[i]) for i in range(count)], WIDE_PX, HIGH_PX, "photo.jpg")
    assert fit.kind == "affine"
    # the local plane and the UTM zone differ by the zone's scale and turn alone, which an affine matrix takes up
    assert apart_m(fit, matrix) < 2e-3 * m_per_px + 1e-3
    assert max(fit.residual_m) < 2e-3 * m_per_px + 1e-3
    assert fit.metres_per_px == pytest.approx(m_per_px, rel=2e-3)


@pytest.mark.parametrize("count", [5, 6, 8])
def test_five_pins_and_more_take_up_a_tilt(count: int) -> None:
    matrix = camera(tilt=0.15)
    pins = [pin(matrix, *SPREAD[i]) for i in range(count)]
    fit = fit_pins(pins, WIDE_PX, HIGH_PX, "photo.jpg")
    assert fit.kind == "projective"
    assert apart_m(fit, matrix) < 0.01
    assert apart_m(fit_pins(pins[:4], WIDE_PX, HIGH_PX, "photo.jpg"), matrix) > 1.0, "four pins do not"


def test_clicks_that_miss_by_little_leave_little_and_the_words_say_so() -> None:
    matrix, draw = camera(tilt=0.1), np.random.default_rng(3)
    pins = [pin(matrix, *spot, off_m=tuple(draw.normal(0, 0.5, 2))) for spot in SPREAD]
    fit = fit_pins(pins, WIDE_PX, HIGH_PX, "photo.jpg")
    assert 0.1 < max(fit.residual_m) < 2.0
    assert apart_m(fit, matrix) < 3.0
    assert fit.words.startswith(f"The pins fit within {max(fit.residual_m):.1f} m; pin ")
    three = fit_pins(pins[:3], WIDE_PX, HIGH_PX, "photo.jpg")
    assert three.words == "Three pins cannot check each other: set a fourth."
    assert max(three.residual_m) < 1e-6


def fit_or_fault(pins: list[Pin]) -> Fit | InputError:
    try:
        return fit_pins(pins, WIDE_PX, HIGH_PX, "photo.jpg")
    except InputError as fault:
        return fault


@pytest.mark.parametrize("count", [6, 8])
def test_a_pin_that_is_far_off_is_named(count: int) -> None:
    """Eight free numbers take up much of what one corner pin says wrongly; then the words name it."""
    matrix, refused = camera(), 0
    for bad in range(count):
        pins = [pin(matrix, *SPREAD[i], off_m=(60.0, -40.0) if i == bad else (0.0, 0.0)) for i in range(count)]
        fit = fit_or_fault(pins)
        if isinstance(fit, InputError):
            refused += 1
            assert fit.where == "photo.jpg, pins"
            assert f"Pin {bad + 1} fits worst" in fit.fix
        else:
            assert fit.worst == bad
            assert f"pin {bad + 1} fits worst" in fit.words
            assert max(fit.residual_m) > 2.0
    assert refused >= count // 2


def test_one_wrong_pin_of_four_is_refused() -> None:
    for bad in range(4):
        pins = [pin(camera(), *SPREAD[i], off_m=(80.0, -60.0) if i == bad else (0.0, 0.0)) for i in range(4)]
        with pytest.raises(InputError, match=r"fit each other|times as long"):
            fit_pins(pins, WIDE_PX, HIGH_PX, "photo.jpg")


def test_nonsense_is_refused_in_words() -> None:
    matrix = camera()
    good = [pin(matrix, *spot) for spot in SPREAD]
    swapped = [good[0].model_copy(update={"lon_deg": good[1].lon_deg, "lat_deg": good[1].lat_deg}), good[1].model_copy(
        update={"lon_deg": good[0].lon_deg, "lat_deg": good[0].lat_deg}), good[2]]  # fmt: skip
    in_line = [pin(matrix, 100 + 100 * i, 50 + 51 * i) for i in range(4)]
    one_spot = [good[0], good[0], good[0]]
    tall = np.diag([1.0, 2.0, 1.0]) @ matrix
    for pins, words in (
        (good[:2], "2 pins do not place"),
        (swapped, "mirrored"),
        (in_line, "in a line"),
        (one_spot, "in a line, or on one spot"),
        ([pin(tall, *spot) for spot in SPREAD[:3]], "times as long in one direction"),
        ([pin(camera(m_per_px=200.0), *spot) for spot in SPREAD[:3]], "m wide"),
        ([pin(camera(m_per_px=0.001), *spot) for spot in SPREAD[:3]], "m wide"),
        (good * 20, "too many"),
    ):
        with pytest.raises(InputError, match=words):
            fit_pins(pins, WIDE_PX, HIGH_PX, "photo.jpg")


def marked_picture() -> tuple[NDArray[np.uint8], list[tuple[float, float]]]:
    """Return a grey picture with red marks of 9 pixels, and their middles."""
    pixels = np.full((HIGH_PX, WIDE_PX, 4), 160, dtype=np.uint8)
    pixels[..., 3] = 255
    spots = [(80, 60), (500, 70), (520, 330), (90, 340), (301, 199)]
    for x, y in spots:
        pixels[y - 4 : y + 5, x - 4 : x + 5, :3] = (250, 0, 0)
    return pixels, [(x + 0.5, y + 0.5) for x, y in spots]


def found_marks(colours: NDArray[np.uint8], corners: tuple[float, float, float, float]) -> list[tuple[float, float]]:
    """Return the middles of the red marks in metres of the holding."""
    from scipy import ndimage

    red = (colours[..., 0].astype(int) - colours[..., 1]) * (colours[..., 3] > 200)
    labels, count = ndimage.label(red > 100)
    middles = ndimage.center_of_mass(red, labels, range(1, count + 1))
    west, south, east, north = corners
    rows, columns = colours.shape[:2]
    mover = point_mover(WEB_MERCATOR, CRS)
    found = []
    for row, column in middles:
        x, y = mover(west + (column + 0.5) * (east - west) / columns, north - (row + 0.5) * (north - south) / rows)
        found.append((float(x) - WEST_M, float(y) - SOUTH_M))
    return found


@pytest.mark.parametrize("tilt", [0.0, 0.15])
def test_marks_are_found_back_on_the_warped_picture(tilt: float) -> None:
    matrix = camera(tilt=tilt)
    pixels, spots = marked_picture()
    fit = fit_pins([pin(matrix, *spot) for spot in SPREAD], WIDE_PX, HIGH_PX, "photo.jpg")
    colours, corners = warped_pixels(pixels, fit.placing, "photo.jpg")
    found = found_marks(colours, corners)
    assert len(found) == len(spots)
    for spot in spots:
        true = ground(matrix, *spot)
        assert min(np.hypot(x - true[0], y - true[1]) for x, y in found) < 0.1
    assert (colours[..., 3] == 0).any(), "beside a turned picture there is nothing"


@pytest.fixture
def inside(tmp_path: Path) -> Iterator[tuple[Client, Desk]]:
    with open_desk(lay_small_property(tmp_path / "holding")) as pair:
        yield pair


def jpeg(kind: str = "PNG") -> bytes:
    stream = io.BytesIO()
    Image.fromarray(marked_picture()[0]).convert("RGB").save(stream, kind)
    return stream.getvalue()


def marks_of(client: Client, file: str) -> list[tuple[float, float]]:
    status, _, content = client.raw("GET", f"/ask/picture?file={file}", client.usual("GET"))
    assert status == 200
    told = next(one for one in client.ask("/ask/ground?fine=no")[1]["pictures"] if one["file"] == file)
    (south, west), (north, east) = told["bounds"]
    x, y = point_mover(WGS84, WEB_MERCATOR)([west, east], [south, north])
    return found_marks(np.asarray(Image.open(io.BytesIO(content)).convert("RGBA")), (x[0], y[0], x[1], y[1]))


def near(found: list[tuple[float, float]], matrix: NDArray[np.float64], within_m: float) -> bool:
    spots = [ground(matrix, *spot) for spot in marked_picture()[1]]
    return len(found) == len(spots) and all(min(np.hypot(x - a, y - b) for x, y in found) < within_m for a, b in spots)


def test_a_plain_photo_is_pinned_shown_and_put_back(inside: tuple[Client, Desk]) -> None:
    client, desk = inside
    folder = desk.book.folder
    matrix = camera()
    told = client.send("field.png", jpeg())[1]
    assert (told["taken"], told["pin"], told["wide_px"], told["high_px"]) == (False, True, WIDE_PX, HIGH_PX)
    status, headers, photo = client.raw("GET", f"/ask/photo?held={told['held']}", client.usual("GET"))
    assert (status, headers["meshplan-pixels"]) == (200, "1.000000")
    assert Image.open(io.BytesIO(photo)).size == (WIDE_PX, HIGH_PX)
    pins = [pin(matrix, *spot).model_dump() for spot in SPREAD[:4]]
    status, fit = client.do("/do/fit", held=told["held"], pins=pins)
    assert (status, fit["kind"], len(fit["residual_m"]), len(fit["corners"])) == (200, "affine", 4, 4)
    assert client.do("/do/fit", held=told["held"], pins=pins[:2])[0] == 422
    assert client.do("/do/fit", held=told["held"], pins=[{"x_px": 1}])[0] == 422
    assert client.do("/do/take", held=told["held"], use="picture")[0] == 422, "it does not say where it lies"
    assert not (folder / "field.png").exists()
    status, done = client.do("/do/picture", held=told["held"], pins=pins, strength=0.6)
    assert (status, done["step"]["files"]) == (200, ["field.png", "picture.toml"])
    text = (folder / "picture.toml").read_text()
    assert 'file = "field.png"' in text
    assert text.count("x_px = ") == 4
    assert near(marks_of(client, "field.png"), matrix, 0.6)
    shown = client.ask("/ask/ground?fine=no")[1]["pictures"][0]
    assert (shown["strength"], len(shown["residual_m"])) == (0.6, 4)
    assert client.do("/do/picture", file="field.png", strength=0.3)[1]["step"]["files"] == ["picture.toml"]
    assert client.do("/do/picture", file="field.png", pins=pins[:3])[0] == 200, "pinned anew from where it is"
    assert client.do("/do/picture", file="field.png", drop=True)[0] == 200
    assert not (folder / "picture.toml").exists()
    assert (folder / "field.png").exists()
    for _ in range(4):
        client.do("/do/back")
    assert sorted(path.name for path in folder.iterdir()) == ["ground.tif", "property.toml", "sites.csv"]
    client.do("/do/again")
    assert (folder / "picture.toml").read_text() == text


def test_a_georeferenced_picture_lies_where_it_says(inside: tuple[Client, Desk], tmp_path: Path) -> None:
    client, _ = inside
    pixels, _ = marked_picture()
    path = tmp_path / "p.tif"
    place = {"crs": CRS, "transform": from_origin(WEST_M + 150, SOUTH_M + 400, 0.5, 0.5)}
    with rasterio.open(path, "w", driver="GTiff", width=WIDE_PX, height=HIGH_PX, count=3, dtype="uint8", **place) as target:
        target.write(np.moveaxis(pixels[..., :3], 2, 0))
        target.colorinterp = [rasterio.enums.ColorInterp.red, rasterio.enums.ColorInterp.green, rasterio.enums.ColorInterp.blue]
    told = client.send("aerial.tif", path.read_bytes())[1]
    assert told["words"] == "aerial.tif: a picture of 600 × 400 pixels that lies on the land. Added as a picture to draw on."
    matrix = np.array([[0.5, 0, 150.0], [0, -0.5, 400.0], [0, 0, 1]])
    assert near(marks_of(client, "aerial.tif"), matrix, 0.6)
    assert client.ask("/ask/sheet")[1]["faults"] == [], "and it is no elevation"
    assert [one["file"] for one in client.ask("/ask/ground")[1]["rasters"]] == ["ground.tif"]


def test_a_world_file_places_its_picture(inside: tuple[Client, Desk]) -> None:
    client, desk = inside
    world = f"0.5\n0\n0\n-0.5\n{WEST_M + 150 + 0.25}\n{SOUTH_M + 400 - 0.25}\n".encode()
    assert client.send("plan.pgw", world)[0] in (200, 422)
    photo = client.send("plan.png", jpeg())[1]
    status, told = client.send("plan.pgw", world)
    assert status == 422, "nothing says in which projection"
    toml = desk.book.folder / "property.toml"
    toml.write_text(f'crs = "{CRS}"\n{toml.read_text()}')
    status, told = client.send("plan.pgw", world)
    assert (status, told["taken"], told["step"]["files"]) == (200, True, ["picture.toml", "plan.pgw", "plan.png"])
    matrix = np.array([[0.5, 0, 150.0], [0, -0.5, 400.0], [0, 0, 1]])
    assert near(marks_of(client, "plan.png"), matrix, 0.6)
    assert photo["pin"] is True


def kmz(box: str) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(
            "doc.kml",
            '<kml xmlns="http://www.opengis.net/kml/2.2" xmlns:gx="urn:invented:ext"><GroundOverlay>'
            f"<Icon><href>files/p.png</href></Icon>{box}</GroundOverlay></kml>",
        )
        archive.writestr("files/p.png", jpeg())
    return stream.getvalue()


def test_a_kml_overlay_lies_where_it_says(inside: tuple[Client, Desk]) -> None:
    client, desk = inside
    matrix = camera(30.0)
    corners = [lon_lat(*ground(matrix, *spot)) for spot in ((0, HIGH_PX), (WIDE_PX, HIGH_PX), (WIDE_PX, 0), (0, 0))]
    quad = " ".join(f"{lon},{lat},0" for lon, lat in corners)
    told = client.send("turned.kmz", kmz(f"<gx:LatLonQuad><coordinates>{quad}</coordinates></gx:LatLonQuad>"))[1]
    assert told["taken"] is True
    assert near(marks_of(client, "turned.kmz"), matrix, 0.7)
    upright = camera(0.0)
    (west, south), (east, north) = lon_lat(*ground(upright, 0, HIGH_PX)), lon_lat(*ground(upright, WIDE_PX, 0))
    box = f"<north>{north}</north><south>{south}</south><east>{east}</east><west>{west}</west>"
    client.send("upright.kmz", kmz(f"<LatLonBox>{box}</LatLonBox>"))
    assert near(marks_of(client, "upright.kmz"), upright, 1.5)
    client.send("rotated.kmz", kmz(f"<LatLonBox>{box}<rotation>30</rotation></LatLonBox>"))
    assert near(marks_of(client, "rotated.kmz"), camera(30.0), 3.0)
    assert [entry.file for entry in read_pictures((desk.book.folder / "picture.toml").read_bytes())] == [
        "turned.kmz", "upright.kmz", "rotated.kmz"
    ]  # fmt: skip


def test_a_picture_file_of_others_leads_nowhere(inside: tuple[Client, Desk], tmp_path: Path) -> None:
    client, desk = inside
    (tmp_path / "secret.png").write_bytes(jpeg())
    (desk.book.folder / "linked.png").symlink_to(tmp_path / "secret.png")
    for name in ("../secret.png", "linked.png", "/etc/hosts"):
        pins = tuple(pin(camera(), *spot) for spot in SPREAD[:3])
        (desk.book.folder / "picture.toml").write_bytes(written_pictures([PictureEntry(file=name, pins=pins)]))
        told = client.ask("/ask/ground?fine=no")[1]["pictures"][0]
        assert "no file of this folder" in told["faults"][0]["problem"]
        assert client.raw("GET", f"/ask/picture?file={name}", client.usual("GET"))[0] == 422
        assert client.raw("GET", f"/ask/photo?file={name}", client.usual("GET"))[0] == 422
    (desk.book.folder / "picture.toml").write_text("[[picture]]\nfile = 3\n")
    status, told = client.ask("/ask/ground?fine=no")
    assert (status, told["pictures"], told["faults"][0]["file"]) == (200, [], "picture.toml")
    assert told["picture"] is not None, "the ground is drawn all the same"


def test_a_picture_list_comes_back_as_it_was_written() -> None:
    pins = tuple(Pin(x_px=1.25 * i, y_px=2.0, lat_deg=48.1234567, lon_deg=-21.5) for i in range(3))
    entries = (
        PictureEntry(file='a "b" \\ c.png', pins=pins, strength=0.5),
        PictureEntry(file="w.png", world="w.pgw", crs="EPSG:32627"),
    )
    assert read_pictures(written_pictures(entries)) == entries
    assert read_pictures(None) == ()


def test_land_at_the_pole_is_refused() -> None:
    pixels, _ = marked_picture()
    crs = "+proj=aeqd +lat_0=89.9 +lon_0=0 +datum=WGS84 +units=m"
    with pytest.raises(InputError, match="no land that can be drawn"):
        warp(pixels, Placing(np.diag([1.0, -1.0, 1.0]), crs), "p.png")
    assert json.dumps(warp(pixels, fit_pins([pin(camera(), *s) for s in SPREAD], WIDE_PX, HIGH_PX, "p").placing, "p")[1])
