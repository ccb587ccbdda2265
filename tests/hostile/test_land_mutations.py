"""Damaged sources, records and answers of servers: one message or a sound file, never a traceback, a hang, or half of something."""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from loopback import Loopback, serving
from rasterio.io import MemoryFile
from rasterio.transform import from_origin
from small_property import lay_small_property

from hostile.mutations import judge, mutate_bytes, mutate_document, mutate_json, mutate_toml, run_words
from meshplan.fetching.client import Answer
from meshplan.fetching.overpass import judge_features
from meshplan.inputs.land_record import file_hash, read_land_record

FAST, SLOW = 25, 250
"""Seeds of each kind."""
SOURCES = """
[[source]]
name = "heights"
gives = "elevation"
holds = "surface"
cell_m = 30
crs = "EPSG:4326"
access = "catalogue"
address = "{url}/search"
collections = ["a", "b"]
licence = "invented licence"
credit = "invented makers"

[[source]]
name = "features"
gives = "features"
access = "question"
address = "{url}/ask"
licence = "invented licence"
credit = "invented mappers"

[[source]]
name = "classes"
gives = "land cover"
cell_m = 30
access = "tiles"
address = "{url}/{{NS}}{{lat2}}{{EW}}{{lon3}}.tif"
tile_list = "{url}/list.txt"
tile_deg = 3
licence = "invented licence"
credit = "invented makers"
"""
OSM = b"""<?xml version="1.0"?><osm version="0.6"><meta osm_base="2026-11-01T00:00:00Z"/>
<node id="1" lat="48.0088" lon="-21.2000"/><node id="2" lat="48.0092" lon="-21.2000"/><node id="3" lat="48.0092" lon="-21.1990"/>
<way id="10"><nd ref="1"/><nd ref="2"/><nd ref="3"/><nd ref="1"/><tag k="natural" v="wood"/></way></osm>
"""


def raster(values: np.ndarray[Any, Any], west: float, north: float, cell_deg: float) -> bytes:
    with MemoryFile() as memory:
        with memory.open(
            driver="GTiff", width=400, height=400, count=1, dtype=values.dtype, crs="EPSG:4326", tiled=True, blockxsize=128,
            blockysize=128, compress="deflate", transform=from_origin(west, north, cell_deg, cell_deg),
        ) as target:  # fmt: skip
            target.write(values, 1)
        return bytes(memory.read())


HEIGHTS = raster((np.arange(160_000).reshape(400, 400) / 1000.0).astype(np.float32), -21.3, 48.1, 5e-4)
CLASSES = raster((np.arange(160_000).reshape(400, 400) % 7).astype(np.uint8), -24.0, 51.0, 0.0075)
ITEMS = {
    "type": "FeatureCollection",
    "links": [{"rel": "self", "href": "/search"}],
    "features": [
        {
            "type": "Feature", "id": "one", "bbox": [-21.3, 47.9, -21.1, 48.1], "properties": {"datetime": "2024-01-01T00:00:00Z"},
            "assets": {"data": {"href": "/heights.tif", "type": "image/tiff; application=geotiff", "roles": ["data"], "gsd": 30}},
        }
    ],
}  # fmt: skip
BODIES = {"heights.tif": HEIGHTS, "N48W024.tif": CLASSES, "ask": OSM, "search": json.dumps(ITEMS).encode()}
WORDS = ("--elevation", "heights", "--features", "features", "--land-cover", "classes", "-q")


@pytest.fixture
def server(monkeypatch: pytest.MonkeyPatch) -> Iterator[Loopback]:
    monkeypatch.setattr("meshplan.fetching.client.TRIES", 1)
    for name in ("http_proxy", "https_proxy", "all_proxy", "HTTP_PROXY", "HTTPS_PROXY", "ALL_PROXY"):
        monkeypatch.delenv(name, raising=False)
    with serving() as loopback:
        yield loopback


def lay(place: Path, server: Loopback) -> Path:
    folder = lay_small_property(place)
    (folder / "land_sources.toml").write_text(SOURCES.format(url=server.url), encoding="utf-8")
    return folder


def serve(server: Loopback, **changes: bytes) -> None:
    for name, body in (BODIES | {"list.txt": b"a\nb\n" * 10} | changes).items():
        server.files[f"/{name}"] = body
    server.answers = {
        f"/{name}": (lambda handler, body=server.files[f"/{name}"]: handler.give(200, body)) for name in ("ask", "search")
    }


def changed(body: bytes, place: Path, change: Callable[[Path, random.Random], str], rng: random.Random) -> bytes:
    (place / "body").write_bytes(body)
    change(place / "body", rng)
    return (place / "body").read_bytes()


def damaged(name: str, body: bytes, place: Path, rng: random.Random) -> bytes:
    """Return a damaged answer; of rasters mostly the header, which decides everything."""
    if name == "search" and rng.random() < 0.8:
        document = json.loads(body)
        mutate_document(document, rng)
        return json.dumps(document).encode("utf-8", errors="replace")
    if name.endswith(".tif") and rng.random() < 0.7:
        return changed(body[:700], place, mutate_bytes, rng) + body[700:]
    return changed(body, place, mutate_bytes, rng)


def answers_of_servers(server: Loopback, tmp_path: Path, seeds: range) -> list[str]:
    found = []
    for seed in seeds:
        rng = random.Random(seed)
        place = tmp_path / str(seed)
        place.mkdir()
        name = rng.choice(sorted(BODIES))
        serve(server, **{name: damaged(name, BODIES[name], place, rng)})
        folder = lay(place / "property", server)
        words = ["land", str(folder), *WORDS, "--private-host", server.host, "--yes"]
        code, said, output, _ = run_words(words, place)
        found += [f"seed {seed}, {name}: {fault}" for fault in judge(words, code, said, output, place)]
        found += [f"seed {seed}, {name}: {fault}" for fault in unsound(folder)]
    return found


def unsound(folder: Path) -> list[str]:
    """Return what is wrong with the files that were kept: each is known by its hash and can be read whole."""
    faults = []
    known = {entry.file: entry for entry in read_land_record(folder).files}
    there = {path.relative_to(folder).as_posix() for path in (folder / "land").rglob("*")} - {"land/provenance.json"}
    if there != set(known):
        faults.append(f"files {there} are there, {set(known)} are known")
    for name, entry in known.items():
        if file_hash(folder / name) != entry.sha256:
            faults.append(f"{name} is not what its record says")
        if name.endswith(".tif"):
            with rasterio.open(folder / name) as dataset:
                dataset.read(1)
        else:
            judge_features(Answer(200, {}, (folder / name).read_bytes()), "http://x.example/")
    return faults


@pytest.mark.filterwarnings("ignore")
def test_damaged_answers_of_servers(server: Loopback, tmp_path: Path) -> None:
    assert answers_of_servers(server, tmp_path, range(FAST)) == []


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_more_damaged_answers_of_servers(server: Loopback, tmp_path: Path) -> None:
    assert answers_of_servers(server, tmp_path, range(FAST, FAST + SLOW)) == []


@pytest.mark.filterwarnings("ignore")
def test_damaged_sources_and_records(server: Loopback, tmp_path: Path) -> None:
    """Told, or taken; nothing is asked, since it is a dry run."""
    serve(server)
    first = lay(tmp_path / "first", server)
    assert run_words(["land", str(first), *WORDS, "--private-host", server.host, "--yes"], tmp_path)[0] == 0
    record = (first / "land" / "provenance.json").read_bytes()
    server.log.clear()
    found = []
    for seed in range(2 * FAST):
        rng = random.Random(seed)
        folder = lay(tmp_path / str(seed), server)
        (folder / "land").mkdir()
        path = folder / "land" / "provenance.json"
        path.write_bytes(record)
        if seed % 2:
            told = rng.choice((mutate_toml, mutate_toml, mutate_bytes))(folder / "land_sources.toml", rng)
        else:
            told = rng.choice((mutate_json, mutate_json, mutate_bytes))(path, rng)
        for words in (["land", str(folder), *WORDS, "--dry-run"], ["check", str(folder)]):
            code, said, output, _ = run_words(words, tmp_path)
            found += [f"seed {seed}, {told}, {words[0]}: {fault}" for fault in judge(words, code, said, output, tmp_path)]
            if not (said + output).replace("\n", "").isprintable():
                found.append(f"seed {seed}, {told}: prints what cannot be printed")
    assert found == []
    assert server.log == []
