"""Where land data come from: sources, and what was fetched from them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from meshplan.records.short_form import Facts, ShortForm
from meshplan.sources import Standing

Box = tuple[float, float, float, float]
"""West, south, east, north in degrees."""


class Gives(StrEnum):
    """What a source holds."""

    ELEVATION = "elevation"
    FEATURES = "features"
    LAND_COVER = "land cover"


class Access(StrEnum):
    """How a source is asked."""

    TILES = "tiles"
    """An address made of the place of each tile; parts of the files are asked for."""
    CATALOGUE = "catalogue"
    """A STAC item search that names files."""
    FILE = "file"
    """One file at one address."""
    QUESTION = "question"
    """An endpoint that takes a question in the Overpass language."""
    PAGE = "page"
    """By hand, from a page."""


@dataclass(frozen=True)
class LandSource:
    """One source of land data."""

    name: str
    title: str
    gives: Gives
    access: Access
    address: str
    licence: str
    credit: str
    source: str
    standing: Standing
    address_standing: Standing
    extent: Box = (-180.0, -90.0, 180.0, 90.0)
    cell_m: float = 0.0
    holds: str = ""
    """"ground" or "surface" for elevation."""
    height_datum: str = ""
    height_epsg: int = 0
    """Vertical reference of the heights; 0 where the file says it or nobody knows."""
    crs: str = ""
    """Projection that its files must have; empty for any."""
    unit: str = ""
    product: str = ""
    """Kind of elevation raster as property.toml names it."""
    legend: str = ""
    """Legend of land cover as property.toml names it."""
    tile_deg: float = 1.0
    tile_corner: str = "south-west"
    tile_list: str = ""
    """Address of the list of all tiles: it decides what a missing one means."""
    where_missing: str = ""
    """Source to offer where a tile is withheld."""
    block_cells: int = 512
    block_mb: float = 3.0
    most_mb: float = 100.0
    collections: tuple[str, ...] = ()
    assets: tuple[str, ...] = ()
    """Names of the files of an item that are meant; empty where only one can be."""
    note: str = ""
    own: bool = False
    """Stated in the property folder."""

    @property
    def check(self) -> bool:
        """Whether users are told to check it."""
        return self.standing.needs_check or self.address_standing.needs_check


@dataclass(frozen=True)
class LandFile:
    """One file that was fetched, and where it came from."""

    file: str
    """Name in the property folder."""
    source: str
    title: str
    gives: str
    address: str
    """Without keys and signatures."""
    fetched: str
    """Day and time in UTC; empty where it was put there by hand."""
    sha256: str
    size: int
    asked_bytes: int
    requests: int
    licence: str
    credit: str
    extent: Box
    """What of the land it was fetched for."""
    state: str = ""
    """The server's word for the state of its file, or the time of its data."""
    holds: str = ""
    height_datum: str = ""
    product: str = ""
    unit: str = ""
    height_epsg: int = 0
    """What its source says that heights count from."""
    legend: str = ""
    note: str = ""


@dataclass(frozen=True)
class MissingTile:
    """A tile that its source does not have."""

    source: str
    tile: str
    address: str
    tile_list: str
    asked: str
    why: str
    extent: Box


@dataclass(frozen=True)
class Searched:
    """A catalogue that was searched to its end, all its files fetched."""

    source: str
    address: str
    asked: str
    extent: Box
    files: tuple[str, ...]


@dataclass(frozen=True, repr=False)
class LandRecord(ShortForm):
    """What `meshplan land` left in a folder."""

    files: tuple[LandFile, ...] = ()
    missing: tuple[MissingTile, ...] = ()
    searches: tuple[Searched, ...] = ()

    def short_facts(self) -> Facts:
        """Return how much there is."""
        return (("files", len(self.files)), ("missing", len(self.missing)))

    def file_of(self, name: str) -> LandFile | None:
        """Return what is known of a file."""
        return next((entry for entry in self.files if entry.file == name), None)


def holds_box(outer: Box, inner: Box) -> bool:
    """Whether one box lies within another."""
    return outer[0] <= inner[0] and outer[1] <= inner[1] and outer[2] >= inner[2] and outer[3] >= inner[3]


def meets(one: Box, other: Box) -> bool:
    """Whether two boxes share land."""
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def on_the_globe(box: Box) -> Box:
    """Return a box with longitudes from -180 to 180; across the antimeridian its west is the greater one (RFC 7946, 5.2)."""
    west, east = (side if -180.0 <= side <= 180.0 else (side + 180.0) % 360.0 - 180.0 for side in (box[0], box[2]))
    return west, box[1], east, box[3]


def covers(source: LandSource, box: Box) -> bool:
    """Whether a source reaches all of a box, on whichever side of the antimeridian its longitudes are counted."""
    west, south, east, north = source.extent
    if east - west >= 360.0:
        return south <= box[1] and north >= box[3]
    return any(holds_box(source.extent, (box[0] + turn, box[1], box[2] + turn, box[3])) for turn in (-360.0, 0.0, 360.0))
