"""Pieces of remote rasters: a real cloud-optimised file on a loopback server, every byte counted."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from loopback import Loopback, growing, serving, shifted, stalling, too_short, truncated, without_ranges
from numpy.typing import NDArray
from rasterio.io import MemoryFile
from rasterio.transform import from_origin
from rasterio.windows import Window

from meshplan.fetching.client import Client
from meshplan.fetching.faults import FetchError
from meshplan.fetching.remote_file import PAGE, RemoteFile
from meshplan.fetching.windows import Piece, read_piece
from meshplan.inputs.land_sources import read_land_sources

GLOBAL_30M = read_land_sources()["copernicus-30m"]
WORLDCOVER = read_land_sources()["worldcover-2021"]
CELLS = 3600
ARC_S = 1 / 3600
WEST, NORTH = -22.0, 49.0
"""The tile from 48 to 49 N and 22 to 21 W."""
BOX = (-21.2085, 48.0062, -21.1815, 48.0242)
"""Two kilometres each way: 0.018 degrees of latitude (111.2 km a degree), 0.027 of longitude at 48 N; within one block of 512."""


def hills(rows: int = CELLS, columns: int = CELLS) -> NDArray[np.float32]:
    """Return invented heights with roughness, so that they do not pack into nothing."""
    y, x = np.mgrid[0:rows, 0:columns]
    noise = np.random.default_rng(5).normal(0.0, 0.4, (rows, columns))
    return (200.0 + 60.0 * np.sin(x / 170.0) * np.cos(y / 230.0) + noise).astype(np.float32)


def tile(path: Path, heights: NDArray[Any], *, block: int = 512, **changes: Any) -> bytes:
    """Write a real cloud-optimised file and return its bytes; cell centres on whole arc-seconds, as the global model has them."""
    half = ARC_S / 2
    profile = {
        "width": heights.shape[1], "height": heights.shape[0], "count": 1, "dtype": heights.dtype, "crs": "EPSG:4326",
        "transform": from_origin(WEST - half, NORTH + half, ARC_S, ARC_S), "blocksize": block, "compress": "deflate",
        "predictor": "YES", "overviews": "AUTO", "level": 1,
    }  # fmt: skip
    with rasterio.open(path, "w", driver="COG", **(profile | changes)) as target:
        target.write(heights, 1)
    return path.read_bytes()


@pytest.fixture(scope="module")
def heights() -> NDArray[np.float32]:
    return hills()


@pytest.fixture(scope="module")
def cog(tmp_path_factory: pytest.TempPathFactory, heights: NDArray[np.float32]) -> bytes:
    return tile(tmp_path_factory.mktemp("cog") / "tile.tif", heights)


@pytest.fixture
def server(cog: bytes) -> Iterator[Loopback]:
    with serving({"/tile.tif": cog}) as loopback:
        yield loopback


def remote_of(server: Loopback, path: str = "/tile.tif", **changes: Any) -> RemoteFile:
    client = Client(private_hosts=frozenset({server.host}), sleep=lambda _: None, **changes)
    return RemoteFile(client, f"{server.url}{path}", most_bytes=10**9)


def read_back(piece: Piece) -> tuple[NDArray[Any], Any, Any, Any]:
    with MemoryFile(piece.data) as memory, memory.open() as dataset:
        return dataset.read(1), dataset.transform, dataset.crs, dataset.units


def blocks_touched(path: Path, data: bytes, window: Window) -> dict[tuple[int, int], int]:
    """Return the stored size of each block under a window, as the file itself says."""
    path.write_bytes(data)
    with rasterio.open(path) as dataset:
        high, wide = dataset.block_shapes[0]
        found = {}
        for row in range(int(window.row_off) // high, (int(window.row_off + window.height) - 1) // high + 1):
            for column in range(int(window.col_off) // wide, (int(window.col_off + window.width) - 1) // wide + 1):
                found[row, column] = int(dataset.get_tag_item(f"BLOCK_SIZE_{column}_{row}", "TIFF", bidx=1))
        return found


def window_of(piece: Piece) -> Window:
    _, transform, _, _ = read_back(piece)
    column = round((transform.c - (WEST - ARC_S / 2)) / ARC_S)
    row = round((NORTH + ARC_S / 2 - transform.f) / ARC_S)
    return Window(column, row, piece.columns, piece.rows)


def test_two_kilometres_ask_for_the_header_and_the_blocks_they_touch(
    server: Loopback, cog: bytes, tmp_path: Path, heights: NDArray[np.float32]
) -> None:
    """Of a tile of a degree: the header in its first pages, each touched block rounded up to pages, nothing else."""
    remote = remote_of(server)
    piece = read_piece(remote, GLOBAL_30M, BOX, tile_box=(-22.0, 48.0, -21.0, 49.0))
    assert piece is not None
    window = window_of(piece)
    blocks = blocks_touched(tmp_path / "copy.tif", cog, window)
    assert len(blocks) == 1
    header = 2 * PAGE
    assert sum(blocks.values()) <= remote.asked <= header + sum(blocks.values()) + 2 * PAGE * len(blocks)
    assert remote.asked == server.sent == remote._client.received
    assert remote.asked < len(cog) / 30
    assert len(server.log) == 1 + len(blocks)
    values, _, _, _ = read_back(piece)
    row, column = int(window.row_off), int(window.col_off)
    assert (values == heights[row : row + piece.rows, column : column + piece.columns]).all(), "to the bit, at its place"
    assert 65 + 8 <= piece.rows <= 65 + 10, "0.018 degrees are 65 arc-seconds, and four pixels on each side"


def test_land_over_four_blocks_asks_for_four(server: Loopback, cog: bytes, tmp_path: Path) -> None:
    corner = (WEST + 512 * ARC_S, NORTH - 512 * ARC_S)
    box = (corner[0] - 0.01, corner[1] - 0.009, corner[0] + 0.01, corner[1] + 0.009)
    remote = remote_of(server)
    piece = read_piece(remote, GLOBAL_30M, box)
    assert piece is not None
    blocks = blocks_touched(tmp_path / "copy.tif", cog, window_of(piece))
    assert sorted(blocks) == [(0, 0), (0, 1), (1, 0), (1, 1)]
    assert remote.asked <= 2 * PAGE + sum(blocks.values()) + 2 * PAGE * len(blocks)


def test_the_piece_carries_place_heights_and_their_reference(server: Loopback) -> None:
    """The file of the source has no vertical part; that of the table (EPSG:3855) is written into the piece."""
    piece = read_piece(remote_of(server), GLOBAL_30M, BOX)
    assert piece is not None
    _, transform, crs, units = read_back(piece)
    from pyproj import CRS

    found = CRS.from_wkt(crs.to_wkt())
    assert found.is_compound
    assert [part.to_epsg() for part in found.sub_crs_list] == [4326, 3855]
    assert units == ("metre",)
    assert transform.a == pytest.approx(ARC_S, rel=1e-12)
    assert piece.box[0] < BOX[0] < BOX[2] < piece.box[2]
    assert piece.box[1] < BOX[1] < BOX[3] < piece.box[3]
    assert piece.known_share == 1.0


def test_the_same_bytes_every_time(server: Loopback) -> None:
    first, second = (read_piece(remote_of(server), GLOBAL_30M, BOX) for _ in range(2))
    assert first is not None
    assert second is not None
    assert first.data == second.data


def test_land_that_the_file_does_not_reach_is_none(server: Loopback) -> None:
    remote = remote_of(server)
    assert read_piece(remote, GLOBAL_30M, (-20.5, 48.1, -20.4, 48.2)) is None
    assert remote.asked <= 2 * PAGE


def test_land_across_the_antimeridian_is_found(tmp_path: Path) -> None:
    """A box that ends beyond 180 degrees lies, for the tile on the other side, at -180."""
    body = tile(tmp_path / "t.tif", hills(600, 600), transform=from_origin(-180.0, 49.0, ARC_S, ARC_S))
    with serving({"/tile.tif": body}) as server:
        piece = read_piece(remote_of(server), GLOBAL_30M, (179.99, 48.95, 180.01, 48.97))
    assert piece is not None
    assert piece.box[0] == pytest.approx(-180.0)


@pytest.mark.filterwarnings("error::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize(
    ("behaviour", "words"),
    [
        (without_ranges, "sends whole files only"),
        (truncated, "did not come whole"),
        (shifted, "were asked for, the server says it sends"),
        (too_short, "were asked for, the server says it sends"),
        (growing, "said .* before"),
    ],
)
def test_servers_that_lie_give_no_land(server: Loopback, cog: bytes, behaviour: Any, words: str) -> None:
    server.answers["/tile.tif"] = behaviour(cog)
    with pytest.raises(FetchError, match=words):
        read_piece(remote_of(server), GLOBAL_30M, BOX)


def test_a_server_that_stalls_gives_no_land(server: Loopback) -> None:
    server.answers["/tile.tif"] = stalling(1.0)
    with pytest.raises(FetchError, match="stalled"):
        read_piece(remote_of(server, read_s=0.2), GLOBAL_30M, BOX)


def test_a_server_that_lies_half_way_gives_no_land(server: Loopback, cog: bytes) -> None:
    """The header is right, the block is not: the fault is that of the server, not of the raster library."""
    count = [0]

    def answer(handler: Any) -> None:
        count[0] += 1
        if count[0] <= 1:
            handler.give_file(cog)
        else:
            truncated(cog)(handler)

    server.answers["/tile.tif"] = answer
    with pytest.raises(FetchError, match="did not come whole"):
        read_piece(remote_of(server), GLOBAL_30M, BOX)


PAGE_OF_HTML = b"<!DOCTYPE html><html><body>Service unavailable</body></html>" + b" " * 400


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (PAGE_OF_HTML, "a page of text came in place of a raster"),
        (b"PK\3\4" + bytes(500), "no GeoTIFF"),
        (b"II*\0" + bytes(500), "cannot be read"),
    ],
    ids=["html", "zip", "broken"],
)
def test_what_is_no_raster_gives_no_land(server: Loopback, body: bytes, words: str) -> None:
    server.files["/tile.tif"] = body
    with pytest.raises(FetchError, match=words) as caught:
        read_piece(remote_of(server), GLOBAL_30M, BOX)
    assert server.url in str(caught.value), "the message names the address"


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        (
            {"crs": "EPSG:32627", "transform": from_origin(485_000, 5_330_000, 30, 30)},
            "lies in WGS 84 / UTM zone 27N, its source should",
        ),
        ({"crs": "EPSG:4267"}, "lies in NAD27"),
        ({"transform": from_origin(-21.0, 49.0, ARC_S, ARC_S)}, "a tile of that name should reach"),
        ({"transform": from_origin(-22.0, 50.0, ARC_S, ARC_S)}, "a tile of that name should reach"),
        ({"crs": None}, "does not say where it lies"),
    ],
    ids=["projection", "datum", "next tile east", "next tile north", "no projection"],
)
def test_a_tile_that_is_not_the_one_gives_no_land(tmp_path: Path, changes: dict[str, Any], words: str) -> None:
    body = tile(tmp_path / "t.tif", hills(1200, 1200), **changes)
    with serving({"/tile.tif": body}) as server, pytest.raises(FetchError, match=words):
        read_piece(remote_of(server), GLOBAL_30M, BOX, tile_box=(-22.0, 48.0, -21.0, 49.0))


def test_a_picture_is_no_land(tmp_path: Path) -> None:
    body = tile(tmp_path / "t.tif", hills(600, 600).astype(np.complex64), predictor="NO", overviews="NONE")
    with serving({"/tile.tif": body}) as server, pytest.raises(FetchError, match="complex64 values, which are no elevation"):
        read_piece(remote_of(server), GLOBAL_30M, BOX)


def test_classes_of_land_cover_come_as_they_are(tmp_path: Path) -> None:
    classes = np.random.default_rng(1).choice(np.array([0, 10, 30, 40, 80], dtype=np.uint8), (1200, 1200))
    body = tile(tmp_path / "t.tif", classes, nodata=0, predictor="NO", transform=from_origin(-24.0, 51.0, 1 / 400, 1 / 400))
    with serving({"/tile.tif": body}) as server:
        piece = read_piece(remote_of(server), WORLDCOVER, BOX, tile_box=(-24.0, 48.0, -21.0, 51.0))
    assert piece is not None
    values, transform, crs, _ = read_back(piece)
    column, row = round((transform.c + 24.0) * 400), round((51.0 - transform.f) * 400)
    assert (values == classes[row : row + piece.rows, column : column + piece.columns]).all()
    assert values.dtype == np.uint8
    assert crs.to_epsg() == 4326, "classes have no heights"
    assert 0.7 < piece.known_share < 0.9


def test_unknown_cells_stay_unknown(tmp_path: Path) -> None:
    """Zeros are never invented."""
    land = hills(1200, 1200)
    land[1100:1180, 900:1000] = -32767.0
    body = tile(tmp_path / "t.tif", land, nodata=-32767.0, transform=from_origin(-21.5, 48.3, ARC_S, ARC_S))
    with serving({"/tile.tif": body}) as server:
        piece = read_piece(remote_of(server), GLOBAL_30M, (-21.26, 47.98, -21.22, 48.0))
    assert piece is not None
    with MemoryFile(piece.data) as memory, memory.open() as dataset:
        assert dataset.nodata == -32767.0
        values = dataset.read(1)
    assert (values == -32767.0).sum() > 100
    assert not (values == 0.0).any()
    assert piece.known_share < 1.0


def test_a_file_that_says_its_own_reference_is_followed(tmp_path: Path) -> None:
    body = tile(tmp_path / "t.tif", hills(1200, 1200), crs="EPSG:4326+5773", transform=from_origin(-21.5, 48.3, ARC_S, ARC_S))
    with serving({"/tile.tif": body}) as server:
        piece = read_piece(remote_of(server), GLOBAL_30M, (-21.26, 47.98, -21.22, 48.0))
    assert piece is not None
    assert piece.height_datum == "EGM96 height"
    assert "the file says that heights count from EGM96 height, the table of sources says EGM2008 height" in piece.note


def test_cells_under_a_mask_stay_unknown(tmp_path: Path) -> None:
    """A file may say by an inner mask what it does not know, with zeros below it."""
    land = hills(600, 600)
    mask = np.full((600, 600), 255, dtype=np.uint8)
    mask[300:330, 200:240] = 0
    profile = {
        "width": 600, "height": 600, "count": 1, "dtype": "float32", "crs": "EPSG:4326", "tiled": True, "blockxsize": 256,
        "blockysize": 256, "transform": from_origin(-21.3, 48.1, ARC_S, ARC_S),
    }  # fmt: skip
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True), rasterio.open(tmp_path / "t.tif", "w", driver="GTiff", **profile) as target:
        target.write(np.where(mask > 0, land, 0.0).astype(np.float32), 1)
        target.write_mask(mask)
    with serving({"/tile.tif": (tmp_path / "t.tif").read_bytes()}) as server:
        piece = read_piece(remote_of(server), GLOBAL_30M, (-21.25, 47.99, -21.22, 48.03))
    assert piece is not None
    values, _, _, _ = read_back(piece)
    assert np.isnan(values).sum() == 30 * 40
    assert not (values == 0.0).any()
    assert piece.known_share < 1.0


def test_a_file_of_one_great_block_is_refused(tmp_path: Path) -> None:
    """It would be unpacked whole for a few cells of it."""
    profile = {
        "width": 5000, "height": 5000, "count": 1, "dtype": "float32", "crs": "EPSG:4326", "blockysize": 5000,
        "compress": "deflate",
        "transform": from_origin(-22.0, 49.0, ARC_S, ARC_S),
    }  # fmt: skip
    with rasterio.open(tmp_path / "t.tif", "w", driver="GTiff", **profile) as target:
        target.write(np.zeros((5000, 5000), dtype=np.float32), 1)
    with (
        serving({"/tile.tif": (tmp_path / "t.tif").read_bytes()}) as server,
        pytest.raises(FetchError, match="blocks are too large"),
    ):
        read_piece(remote_of(server), GLOBAL_30M, BOX)
