"""Which tiles a piece of land touches, and how their makers name them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meshplan.errors import InputError, MeshplanError
from meshplan.fetching.addresses import parse_address
from meshplan.fetching.tiles import is_listed, tiles_of
from meshplan.inputs.elevation_products import read_elevation_products
from meshplan.inputs.land_sources import read_land_sources, source_named
from meshplan.records.land import Access, Gives

SOURCES = read_land_sources()
GLOBAL_30M = SOURCES["copernicus-30m"]


def file_names(name: str, lon: float, lat: float) -> list[str]:
    box = (lon - 0.001, lat - 0.001, lon + 0.001, lat + 0.001)
    return [tile.address.rsplit("/", 1)[1] for tile in tiles_of(SOURCES[name], box)]


@pytest.mark.parametrize(
    ("source", "lon", "lat", "file"),
    [
        # The agency's storage document: lower-left corner, 10 = 30 m product, 30 = 90 m product.
        ("copernicus-30m", -69.5, -32.5, "Copernicus_DSM_COG_10_S33_00_W070_00_DEM.tif"),
        ("copernicus-30m", 7.5, 51.5, "Copernicus_DSM_COG_10_N51_00_E007_00_DEM.tif"),
        ("copernicus-30m", -0.5, 0.5, "Copernicus_DSM_COG_10_N00_00_W001_00_DEM.tif"),
        ("copernicus-30m", 0.5, -0.5, "Copernicus_DSM_COG_10_S01_00_E000_00_DEM.tif"),
        ("copernicus-30m", 179.5, -16.5, "Copernicus_DSM_COG_10_S17_00_E179_00_DEM.tif"),
        ("copernicus-90m", -69.5, -32.5, "Copernicus_DSM_COG_30_S33_00_W070_00_DEM.tif"),
        # Item files of the product: N39E012 holds 39-42 N, 12-15 E.
        ("worldcover-2021", 13.0, 41.9, "ESA_WorldCover_10m_2021_v200_N39E012_Map.tif"),
        ("worldcover-2021", -0.5, -0.5, "ESA_WorldCover_10m_2021_v200_S03W003_Map.tif"),
        # n47w084 holds 46-47 N, 84-83 W.
        ("usa-ground-10m", -83.5, 46.5, "USGS_13_n47w084.tif"),
    ],
)
def test_tiles_are_named_as_their_makers_name_them(source: str, lon: float, lat: float, file: str) -> None:
    assert file_names(source, lon, lat) == [file]


def test_land_on_an_edge_touches_both_tiles_and_on_a_corner_four() -> None:
    assert [tile.name for tile in tiles_of(GLOBAL_30M, (6.999, 51.2, 7.001, 51.3))] == ["n51e006", "n51e007"]
    assert [tile.name for tile in tiles_of(GLOBAL_30M, (-0.001, -0.001, 0.001, 0.001))] == [
        "s01w001",
        "s01e000",
        "n00w001",
        "n00e000",
    ]
    assert [tile.name for tile in tiles_of(GLOBAL_30M, (179.99, 1.2, 180.01, 1.3))] == ["n01e179", "n01w180"]


@given(st.floats(-179.9, 179.9), st.floats(-84.9, 84.9), st.sampled_from(["copernicus-30m", "worldcover-2021", "usa-ground-10m"]))
def test_some_tile_holds_every_place(lon: float, lat: float, name: str) -> None:
    found = tiles_of(SOURCES[name], (lon - 1e-6, lat - 1e-6, lon + 1e-6, lat + 1e-6))
    assert any(tile.box[0] <= lon <= tile.box[2] and tile.box[1] <= lat <= tile.box[3] for tile in found)
    assert len({tile.name for tile in found}) == len(found)
    for tile in found:
        assert "{" not in tile.address
        assert parse_address(tile.address).scheme == "https"


def test_a_list_of_tiles_decides_by_whole_names() -> None:
    of = "Copernicus_DSM_COG_10_{}_DEM"
    names = f"{of.format('N51_00_E007_00')}\r\n{of.format('N51_00_E008_00')}/\nfolder/{of.format('S33_00_W070_00')}.tif\n"
    for lon, lat in ((7.5, 51.5), (8.5, 51.5), (-69.5, -32.5)):
        assert is_listed(names, tiles_of(GLOBAL_30M, (lon, lat, lon + 0.1, lat + 0.1))[0].address)
    assert not is_listed(names, tiles_of(GLOBAL_30M, (9.5, 51.5, 9.6, 51.6))[0].address)
    assert not is_listed("Copernicus_DSM_COG_10_N51_00_E007_00_DEM_OLD", tiles_of(GLOBAL_30M, (7.5, 51.5, 7.6, 51.6))[0].address)


def test_an_unknown_place_in_an_address_is_named() -> None:
    wrong = replace(GLOBAL_30M, address="https://example.org/{lat}/{0.__class__}.tif")
    with pytest.raises(InputError, match=r"has a place \{lat\} that is not known"):
        tiles_of(wrong, (7.1, 51.1, 7.2, 51.2))


def test_every_packaged_source_can_be_used() -> None:
    """Addresses that can be asked, products that exist, heights with a reference; only what was read says so."""
    products = read_elevation_products()
    for source in SOURCES.values():
        for address in filter(None, (source.address, source.tile_list)):
            assert parse_address(tiles_of(replace(source, address=address), (5.1, 46.1, 5.2, 46.2))[0].address).scheme == "https"
        assert source.licence
        assert source.credit
        assert not source.own
        if source.gives is Gives.ELEVATION:
            assert source.product in products
            assert source.holds in ("ground", "surface")
            assert source.height_datum
        assert source.where_missing in ("", *SOURCES)
        assert source.access is not Access.PAGE or source.address.startswith("https://")
    assert all(source.check for source in SOURCES.values()), "no address was called when the table was written"


OWN = """
[[source]]
name = "mirror"
gives = "elevation"
holds = "ground"
access = "file"
address = "https://mirror.example/land.tif"
licence = "own survey"
credit = "own survey"
"""


def test_a_file_of_the_folder_adds_sources(tmp_path: Path) -> None:
    (tmp_path / "land_sources.toml").write_text(OWN, encoding="utf-8")
    sources = read_land_sources(tmp_path)
    assert set(sources) == {*SOURCES, "mirror"}
    assert sources["mirror"].own
    assert not sources["mirror"].check
    assert sources["mirror"].extent == (-180.0, -90.0, 180.0, 90.0)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('name = "mirror"', 'name = "../../etc"', r"'\.\./\.\./etc' is no short name"),
        ('name = "mirror"', 'name = "a\u202eb"', "is no short name"),
        ('holds = "ground"\n', "", "does not say what its heights hold"),
        ('licence = "own survey"\n', "", "key 'licence'"),
        ('access = "file"', 'access = "question"', "is not fetched by access = 'question'"),
        ('access = "file"', 'access = "magic"', "'magic' is not known"),
        ('access = "file"', 'acces = "file"', "Did you mean 'access'"),
        ('credit = "own survey"', 'credit = "\u202eyevrus"', "cannot be printed"),
        ('access = "file"', 'access = "file"\nwest_deg = 8\neast_deg = 7', "west_deg or south_deg is not below"),
    ],
)
def test_wrong_sources_of_the_folder_are_told(tmp_path: Path, old: str, new: str, words: str) -> None:
    (tmp_path / "land_sources.toml").write_text(OWN.replace(old, new), encoding="utf-8")
    with pytest.raises(MeshplanError, match=words):
        read_land_sources(tmp_path)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("copernicus-30", "Did you mean 'copernicus-30m'"),
        ("worldcover-2021", "gives land cover"),
        ("https://example.org/x.tif", "is an address"),
    ],
)
def test_a_source_is_asked_for_by_its_name(name: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        source_named(SOURCES, name, Gives.ELEVATION, "--elevation")
