"""The land of a property from open data: what is there, what is wanted, and the fetching of it. Only `meshplan land` comes here."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from meshplan.errors import InputError, MeshplanError
from meshplan.fetching.addresses import parse_address, shown_address
from meshplan.fetching.client import AGENT, Client
from meshplan.fetching.faults import FetchError
from meshplan.fetching.overpass import by_hand
from meshplan.fetching.tiles import tiles_of
from meshplan.inputs.land_extent import LandExtent, read_land_extent
from meshplan.inputs.land_record import LAND_FOLDER, file_hash, read_land_record
from meshplan.inputs.land_sources import SOURCES_FILE, read_land_sources, source_named
from meshplan.inputs.raster import open_header
from meshplan.inputs.user_files import content_of, is_there, present_file
from meshplan.records.land import Access, Box, Gives, LandFile, LandRecord, LandSource, MissingTile, Searched, covers, holds_box
from meshplan.records.land_plan import LandOutcome, LandPlan, Wish
from meshplan.reporting.file_sets import recover
from meshplan.reporting.land_files import write_land
from meshplan.settings import RasterSettings
from meshplan.workflow.land_fetch import Fetcher, entry_of, judged_by_hand
from meshplan.workflow.land_lines import lines_for
from meshplan.workflow.progress import OnProgress, silent

SPARE_M: Final = 250.0
"""Land beyond what a plan needs that is fetched too, so that a site can move a little without asking again (own choice)."""
MOST_QUESTION_KM2: Final = 1000.0
"""Largest land that one question for map features may cover: public endpoints are no place for whole regions (own choice)."""
NEIGHBOURS: Final = 8
"""A tile so many cells away is asked for too: heights are interpolated, and tiles begin half a cell off their degrees."""
METRES_PER_DEGREE: Final = 111_195.0
"""Of a great circle on a sphere of 6371 km."""
NONE: Final = "none"
DEFAULTS: Final = {Gives.ELEVATION: "copernicus-30m", Gives.FEATURES: "osm-overpass", Gives.LAND_COVER: "worldcover-2021"}
OPTIONS: Final = {Gives.ELEVATION: "--elevation", Gives.FEATURES: "--features", Gives.LAND_COVER: "--land-cover"}
_FEATURE_MB_PER_KM2: Final = 0.5
"""What map features of a square kilometre of villages and farms come to as XML; from memory."""
_BYTES_PER_CELL: Final = 3.0


class LandJob:
    """The land of one folder: first what would be done, then, if it is wanted, the doing."""

    def __init__(
        self,
        folder: Path,
        names: dict[Gives, tuple[str, ...]] | None = None,
        *,
        private_hosts: Sequence[str] = (),
        most_mb: float = 200.0,
    ) -> None:
        self.folder = folder
        self.extent: LandExtent = read_land_extent(folder, SPARE_M)
        self.sources = read_land_sources(folder)
        self.private_hosts = frozenset(_host(words) for words in private_hosts)
        self._most_mb = most_mb
        if (folder / LAND_FOLDER).is_symlink():
            fix = "Make it a folder of its own, or take it away."
            raise InputError("leads to another place, where nothing is written", where=f"{folder / LAND_FOLDER}", fix=fix)
        recover(folder / LAND_FOLDER)
        self._record = read_land_record(folder)
        self.chosen = self._chosen(names or {})
        self.plan = self._plan()

    def _chosen(self, names: dict[Gives, tuple[str, ...]]) -> list[LandSource]:
        chosen = []
        for gives, usual in DEFAULTS.items():
            for name in names.get(gives) or (usual,):
                if name == NONE:
                    continue
                source = source_named(self.sources, name, gives, OPTIONS[gives])
                if source.access is Access.PAGE:
                    raise InputError(
                        f"'{name}' is fetched by hand, from {source.address}",
                        where=OPTIONS[gives],
                        fix=f"Put its file in the folder and name it in property.toml; its credit is: {source.credit}",
                    )
                if not covers(source, self.extent.needed):
                    raise InputError(f"'{name}' does not reach all of this land", where=OPTIONS[gives], fix="Name another source.")
                chosen.append(source)
        return list(dict.fromkeys(chosen))

    def _plan(self) -> LandPlan:
        wanted = [wish for source in self.chosen for wish in self._wishes_of(source)]
        there: list[LandFile] = []
        changed: list[str] = []
        missing: list[MissingTile] = []
        wishes: list[Wish] = []
        for wish in wanted:
            tile = self._known_missing(wish)
            if tile is not None:
                missing.append(tile)
                continue
            if wish.way == "search":
                found = self._searched(wish)
                there += found or []
                wishes += [wish] if found is None else []
                continue
            entry = self._record.file_of(wish.file)
            if entry is not None and is_there(self.folder / wish.file):
                if not self._intact(entry):
                    changed.append(wish.file)
                elif self._enough(entry, wish):
                    there.append(entry)
                else:
                    wishes.append(wish)
            else:
                wishes.append(wish)
        _refuse_addresses(wishes)
        chosen = {source.name for source in self.chosen}
        finest = {gives: min((source.cell_m for source in self.chosen if source.gives is gives), default=1e9) for gives in Gives}
        others = [
            source
            for source in self.sources.values()
            if source.name not in chosen
            and covers(source, self.extent.needed)
            and (source.own or (source.gives is Gives.ELEVATION and source.cell_m < finest[source.gives]))
        ]
        return LandPlan(
            property_name=self.extent.settings.name,
            folder=str(self.folder),
            needed=self.extent.needed,
            wide_m=self.extent.wide_m,
            high_m=self.extent.high_m,
            spare_m=SPARE_M,
            agent=AGENT,
            wishes=tuple(wishes),
            there=tuple(there),
            changed=tuple(changed),
            missing=tuple(missing),
            others=tuple(others),
            most_mb=self._most_mb,
        )

    def _enough(self, entry: LandFile, wish: Wish) -> bool:
        """Whether a file was fetched for all of the needed land that its tile, or the file alone, stands for."""
        part = self.extent.needed if wish.tile_box is None else _within(self.extent.needed, wish.tile_box)
        return part is None or holds_box(entry.extent, part)

    def _known_missing(self, wish: Wish) -> MissingTile | None:
        if not wish.tile:
            return None
        return next((tile for tile in self._record.missing if (tile.source, tile.tile) == (wish.source.name, wish.tile)), None)

    def _searched(self, wish: Wish) -> list[LandFile] | None:
        """Return the files of a search that was carried to its end; None where there was none, or a file is not as it came."""
        for search in self._record.searches:
            if search.source == wish.source.name and holds_box(search.extent, self.extent.needed):
                found = [entry for entry in self._record.files if entry.file in search.files]
                if len(found) == len(search.files) and all(self._intact(entry) for entry in found):
                    return found
        return None

    def _intact(self, entry: LandFile) -> bool:
        with suppress(OSError):
            return file_hash(self.folder / entry.file) == entry.sha256
        return False

    def _wishes_of(self, source: LandSource) -> list[Wish]:
        asked = self.extent.asked
        area_km2 = (self.extent.wide_m + 2 * SPARE_M) * (self.extent.high_m + 2 * SPARE_M) / 1e6
        name = f"{LAND_FOLDER}/{source.name}"
        if source.access is Access.TILES:
            return [
                Wish(
source, f"{name}_{tile.name}.tif", tile.address, asked, "part", self._tile_mb(source),
                    shown_address(tile.address), tile=tile.name, tile_box=tile.box,
                )
                for tile in tiles_of(source, _widened(self.extent.needed, NEIGHBOURS * source.cell_m))
            ]  # fmt: skip
        if source.access is Access.QUESTION:
            if area_km2 > MOST_QUESTION_KM2:
                raise InputError(
                    f"{area_km2:.0f} km² are too much for one question to a public endpoint",
                    where=f"{OPTIONS[source.gives]} {source.name}",
                    fix=f'Name an extract of the region in {SOURCES_FILE} (access = "file"), or {OPTIONS[source.gives]} none.',
                )
            expected_mb = max(0.2, _FEATURE_MB_PER_KM2 * area_km2)
            return [Wish(source, f"{name}.osm", source.address, asked, "question", expected_mb, by_hand(source, asked))]
        if source.access is Access.CATALOGUE:
            cells = area_km2 * 1e6 / max(source.cell_m or 10.0, 0.25) ** 2
            return [Wish(source, f"{name}.tif", source.address, asked, "search", max(1.0, cells * _BYTES_PER_CELL / 1e6), "")]
        shown = shown_address(source.address)
        if source.gives is Gives.FEATURES:
            ending = ".osm.pbf" if urlsplit(source.address).path.casefold().endswith(".pbf") else ".osm"
            return [Wish(source, f"{name}{ending}", source.address, asked, "whole", source.most_mb, shown)]
        return [Wish(source, f"{name}.tif", source.address, asked, "part", source.block_mb, shown)]

    def _tile_mb(self, source: LandSource) -> float:
        """Return what the blocks under the land come to, as many as it touches on average."""
        block_m = source.block_cells * max(source.cell_m, 0.1)
        across, down = (1.0 + (side + 2 * SPARE_M) / block_m for side in (self.extent.wide_m, self.extent.high_m))
        return across * down * source.block_mb

    def run(
        self,
        *,
        on_progress: OnProgress | None = None,
        on_wait: Callable[[float, str], None] | None = None,
        client: Client | None = None,
    ) -> LandOutcome:
        """Fetch what the plan wishes for; every file is written as soon as it is whole, with its record."""
        tell = on_progress or silent
        client = client or Client(private_hosts=self.private_hosts, most_bytes=int(self._most_mb * 1e6))
        if on_wait is not None:
            client.on_wait = on_wait
        came: list[LandFile] = []

        def keep(entry: LandFile, data: bytes) -> None:
            self._store(entry, data)
            came.append(entry)

        fetcher = Fetcher(self.folder, client, self.sources, keep, self._have, self._note_searched)
        placed: list[str] = []
        unreachable: set[str] = set()
        try:
            for number, wish in enumerate(self.plan.wishes):
                tell("Asking for the land", number, len(self.plan.wishes))
                entry = self._placed_by_hand(wish)
                if entry is not None:
                    self._store(entry, b"")
                    came.append(entry)
                    placed.append(entry.file)
                    continue
                host = urlsplit(wish.address).netloc
                if host in unreachable:
                    before = next(failed for failed in fetcher.not_come if failed.no_way)
                    fetcher.not_come.append(replace(before, wish=wish))
                    continue
                failed_before, missing_before = len(fetcher.not_come), len(fetcher.missing)
                fetcher.fulfil(wish)
                unreachable |= {host for failed in fetcher.not_come[failed_before:] if failed.no_way}
                self._note_missing(fetcher.missing[missing_before:])
            tell("Asking for the land", len(self.plan.wishes), len(self.plan.wishes))
        finally:
            client.close()
        there = (*self.plan.there, *(e for e in self._record.files if e.file in self.plan.changed))
        return LandOutcome(
            came=tuple(came),
            there=tuple(there),
            by_hand=tuple(placed),
            missing=(*self.plan.missing, *fetcher.missing),
            not_come=tuple(fetcher.not_come),
            notes=tuple(dict.fromkeys(fetcher.notes)),
            lines=lines_for(self.extent, (*there, *came)),
            received_bytes=client.received,
            requests=client.requests,
        )

    def _have(self, file: str, address: str) -> bool:
        entry = self._record.file_of(file)
        if entry is None or entry.address != address or not self._intact(entry):
            return False
        return holds_box(entry.extent, self.extent.needed)

    def _placed_by_hand(self, wish: Wish) -> LandFile | None:
        """Return the record of a file that somebody put in the place of a wish; None where there is none, or it is known."""
        path = self.folder / wish.file
        if wish.way == "search" or not is_there(path) or self._record.file_of(wish.file) is not None:
            return None
        fault = present_file(path, wish.file, "land")
        if fault is not None:
            raise fault
        if wish.source.gives is Gives.FEATURES:
            judged_by_hand(content_of(path, wish.file), wish)
        else:
            header = open_header(path, wish.file, RasterSettings(file=wish.file))
            west, south, east, north = _within(self.extent.needed, wish.tile_box or self.extent.needed) or wish.box
            if not header.covers([west, east, (west + east) / 2], [south, north, (south + north) / 2]).all():
                raise InputError("does not reach all of this land", where=wish.file, fix="Take it away, or fetch it again.")
        return replace(entry_of(wish, b"", fetched=""), sha256=file_hash(path), size=path.stat().st_size)

    def _store(self, entry: LandFile, data: bytes) -> None:
        others = [known for known in self._record.files if known.file != entry.file]
        record = replace(self._record, files=tuple(sorted((*others, entry), key=lambda known: known.file)))
        write_land(self.folder, record, file=entry.file if data else "", data=data)
        self._record = record

    def _note_missing(self, tiles: Sequence[MissingTile]) -> None:
        if tiles:
            record: LandRecord = replace(self._record, missing=(*self._record.missing, *tiles))
            write_land(self.folder, record)
            self._record = record

    def _note_searched(self, search: Searched) -> None:
        """Keep that a search was carried to its end, so that it is not made again for the same land."""
        kept = [other for other in self._record.searches if other.source != search.source]
        record = replace(self._record, searches=(*kept, search))
        write_land(self.folder, record)
        self._record = record


def _refuse_addresses(wishes: Sequence[Wish]) -> None:
    """Refuse, before anything is said or asked, addresses that are no https:// or http://, or hold a name or password."""
    for wish in wishes:
        try:
            parse_address(wish.address)
        except FetchError as error:
            where = f"{SOURCES_FILE if wish.source.own else 'the table of sources'}, source '{wish.source.name}', address"
            raise InputError(error.problem, where=where, fix=error.fix) from error


def _within(box: Box, tile: Box) -> Box | None:
    """Return the part of a box in a tile; None where they share no land."""
    part = (max(box[0], tile[0]), max(box[1], tile[1]), min(box[2], tile[2]), min(box[3], tile[3]))
    return part if part[0] < part[2] and part[1] < part[3] else None


def _widened(box: Box, more_m: float) -> Box:
    """Return a box with so many metres more on each side."""
    up = more_m / METRES_PER_DEGREE
    across = up / max(0.01, math.cos(math.radians(max(abs(box[1]), abs(box[3])))))
    return box[0] - across, box[1] - up, box[2] + across, box[3] + up


def _host(words: str) -> str:
    """Return "host:port" as the user names a host of his own."""
    host, sign, port = words.strip().casefold().rpartition(":")
    if not sign or not host or not port.isdigit() or not 0 < int(port) < 65_536 or "/" in host:
        raise InputError(f"'{words[:60]}' is no host with its port", where="--private-host", fix="Write it like 192.168.1.20:8000.")
    return f"{host.strip('[]')}:{int(port)}"


def nothing_came(outcome: LandOutcome) -> bool:
    """Whether there is nothing to plan with from what was wanted."""
    return bool(outcome.not_come) and not outcome.files


def refuse_unasked() -> MeshplanError:
    """Return the fault of a run that nobody agreed to."""
    return InputError(
        "nothing was asked for, because nobody said yes", where="meshplan land", fix="Add --yes where no one sits at the keyboard."
    )
