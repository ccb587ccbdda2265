"""Tiles by their place: which of them a piece of land touches, and the address of each."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final

from meshplan.errors import InputError
from meshplan.records.land import Box, LandSource

_FIELD: Final = re.compile(r"\{([^{}]*)\}")


@dataclass(frozen=True)
class Tile:
    """One tile: a name of ours, the land it stands for and its address."""

    name: str
    box: Box
    address: str


def tiles_of(source: LandSource, box: Box) -> list[Tile]:
    """Return the tiles that a box touches, from south-west to north-east.

    Notes
    -----
    A tile is named by a corner in whole degrees, south and west counted with floor: 48° 0' S lies in the tile S48 only if its
    northern edge is 48° S. Tiles beyond ±180° of longitude are those on the other side.
    """
    step = source.tile_deg
    rows = range(math.floor(box[1] / step), math.ceil(box[3] / step))
    columns = range(math.floor(box[0] / step), math.ceil(box[2] / step))
    found = []
    for row in rows:
        for column in columns:
            west, south = column * step, row * step
            around = (west + 180.0) % 360.0 - 180.0
            corner_lat = south if source.tile_corner == "south-west" else south + step
            found.append(
                Tile(
                    _own_name(south, around),
                    (west, south, west + step, south + step),
                    fill_in(source.address, around, corner_lat, source.name),
                )
            )
    return found


def _own_name(south: float, west: float) -> str:
    """Return our own name of a tile by its south-western corner, which also names the file."""
    lat, lon = (f"{abs(value):g}".replace(".", "p") for value in (south, west))
    return f"{'s' if south < 0 else 'n'}{lat.zfill(2)}{'w' if west < 0 else 'e'}{lon.zfill(3)}"


def fill_in(template: str, lon: float, lat: float, source_name: str) -> str:
    """Return an address with the corner of a tile in its places."""
    whole_lat, whole_lon = math.floor(abs(lat) + 1e-9), math.floor(abs(lon) + 1e-9)
    values = {
        "NS": "S" if lat < 0 else "N",
        "ns": "s" if lat < 0 else "n",
        "EW": "W" if lon < 0 else "E",
        "ew": "w" if lon < 0 else "e",
        "lat2": f"{whole_lat:02d}",
        "lon3": f"{whole_lon:03d}",
    }

    def filled(found: re.Match[str]) -> str:
        if found[1] not in values:
            raise InputError(
                f"its address has a place {{{found[1][:20]}}} that is not known",
                where=f"land_sources.toml, source '{source_name}', key 'address'",
                fix=f"Write {', '.join(f'{{{key}}}' for key in values)}.",
            )
        return values[found[1]]

    return _FIELD.sub(filled, template)


def is_listed(listing: str, address: str) -> bool:
    """Whether a list of tiles names the tile of an address: a line is its file, its folder, or a name without ending."""
    pieces = [piece for piece in address.partition("://")[2].partition("?")[0].split("/")[1:] if piece]
    stem = pieces[-1].rpartition(".")[0] or pieces[-1]
    wanted = {stem.casefold(), pieces[-1].casefold()}
    for line in listing.splitlines():
        words = [word for word in re.split(r"[/\s,;\"]+", line.strip().casefold()) if word]
        if wanted.intersection(words):
            return True
    return False
