"""One wish at a time: asked for, judged, and made a file with its origin."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from meshplan.errors import MeshplanError
from meshplan.fetching.addresses import shown_address
from meshplan.fetching.catalogue import search
from meshplan.fetching.client import Answer, Client
from meshplan.fetching.faults import AbsentError, FetchError, UnreachableError
from meshplan.fetching.overpass import ask_features, judge_features
from meshplan.fetching.remote_file import RemoteFile
from meshplan.fetching.tiles import is_listed, tiles_of
from meshplan.fetching.whole import Begun, fetch_whole
from meshplan.fetching.windows import Piece, read_piece
from meshplan.inputs.land_record import LAND_FOLDER, read_part
from meshplan.records.land import Gives, LandFile, LandSource, MissingTile, Searched
from meshplan.records.land_plan import NotCome, Wish
from meshplan.reporting.land_files import drop_part, keep_part

MOST_LIST_BYTES: Final = 20_000_000
LATER: Final = "Run the command again later; what has come stays."


@dataclass
class Fetcher:
    """Fulfils wishes one by one; what fails is told and does not stop the others."""

    folder: Path
    client: Client
    sources: dict[str, LandSource]
    keep: Callable[[LandFile, bytes], None]
    """Told of every file as soon as it is whole."""
    have: Callable[[str, str], bool]
    """Whether a file of this name from this address is there, unchanged."""
    searched: Callable[[Searched], None]
    """Told of every search whose files are all there."""
    now: Callable[[], datetime] = lambda: datetime.now(UTC)
    missing: list[MissingTile] = field(default_factory=list)
    not_come: list[NotCome] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    _lists: dict[str, str] = field(default_factory=dict)

    def fulfil(self, wish: Wish) -> None:
        """Fetch one wish, or note why it did not come."""
        try:
            {"part": self._part, "whole": self._whole, "question": self._question, "search": self._search}[wish.way](wish)
        except FetchError as fault:
            self.not_come.append(NotCome(wish, fault.where, fault.problem, fault.fix, no_way=isinstance(fault, UnreachableError)))

    def _part(self, wish: Wish) -> None:
        before = self.client.requests
        remote = RemoteFile(self.client, wish.address, most_bytes=int(wish.source.most_mb * 1e6))
        try:
            piece = read_piece(remote, wish.source, wish.box, tile_box=wish.tile_box)
        except AbsentError as fault:
            if not wish.tile or remote.asked:
                raise
            self._missing_tile(wish, fault)
            return
        if piece is None:
            self.notes.append(f"{shown_address(wish.address)} does not reach this land.")
            return
        if piece.known_share < 1.0 and wish.source.gives is Gives.ELEVATION:
            self.notes.append(f"{wish.file}: {100 * (1 - piece.known_share):.0f} % of its cells hold no height.")
        self._keep(wish, piece.data, asked=remote.asked, requests=self.client.requests - before, state=remote.etag, piece=piece)

    def _missing_tile(self, wish: Wish, fault: AbsentError) -> None:
        """A tile that is not there means sea or withheld land only if the list does not name it; else the server is at fault."""
        source = wish.source
        if not source.tile_list:
            raise FetchError(
                f"{fault.problem}; its source has no list of tiles, so whether this is sea cannot be told",
                where=fault.where,
                fix="Look at the page of the source, or name another one.",
            ) from fault
        if is_listed(self._list(source.tile_list), wish.address):
            raise FetchError(f"{fault.problem}, though the list of tiles names it", where=fault.where, fix=LATER) from fault
        why = "not in the list of tiles: sea, or land that is withheld; no heights are invented for it"
        other = self.sources.get(source.where_missing)
        if other is not None and other.tile_list and other.name != source.name:
            twin = next((tile for tile in tiles_of(other, wish.box) if tile.name == wish.tile), None)
            if twin is not None and is_listed(self._list(other.tile_list), twin.address):
                why = f"withheld: {other.title} has it, cells of {other.cell_m:g} m; take it with --elevation {other.name}"
            else:
                why = f"sea: neither this list of tiles nor that of {other.name} has it; no heights are invented for it"
        self.missing.append(
            MissingTile(source.name, wish.tile, shown_address(wish.address), source.tile_list, self._time(), why, wish.box)
        )

    def _list(self, address: str) -> str:
        if address not in self._lists:
            answer = self.client.get(address, most_bytes=MOST_LIST_BYTES)
            text = answer.body.decode("utf-8", errors="replace")
            if text.lstrip().startswith("<") or len(text.split()) < 10:
                raise FetchError("is no list of tiles", where=shown_address(address), fix=LATER)
            if not answer.is_whole:  # half a list would make sea of land
                raise FetchError("does not say how long it is, so it may have broken off", where=shown_address(address), fix=LATER)
            self._lists[address] = text
        return self._lists[address]

    def _question(self, wish: Wish) -> None:
        before, received = self.client.requests, self.client.received
        found = ask_features(self.client, wish.source, wish.box)
        if not found.count:
            self.notes.append(
                f"{wish.file}: the map shows nothing here. That is not the same as bare land; where you name it under cover, "
                f'confirm it: land_cover.elsewhere = ["{wish.file}"].'
            )
        self._keep(
            wish, found.data, asked=self.client.received - received, requests=self.client.requests - before, state=found.state
        )

    def _whole(self, wish: Wish) -> None:
        before, received = self.client.requests, self.client.received
        address = shown_address(wish.address)

        def keep(etag: str, data: bytes, begins: bool) -> None:
            keep_part(self.folder, wish.file, address, etag, data, begins=begins)

        begun = Begun(*read_part(self.folder, wish.file, address))
        answer, there = fetch_whole(self.client, wish.address, most_bytes=int(wish.source.most_mb * 1e6), begun=begun, keep=keep)
        if there:
            self.notes.append(f"{wish.file}: {there / 1e6:.1f} MB had come before, the rest came now.")
        try:
            state = judged_extract(answer, wish.address, wish.file)
        finally:
            drop_part(self.folder, wish.file)
        asked, requests = self.client.received - received, self.client.requests - before
        self._keep(wish, answer.body, asked=asked, requests=requests, state=state or answer.etag)

    def _search(self, wish: Wish) -> None:
        found = search(self.client, wish.source, wish.box)
        if found.signed:
            self.notes.append(f"{wish.source.name}: {found.signed} files need an account (signed links) and are left out.")
        if found.older:
            self.notes.append(f"{wish.source.name}: {found.older} older files of the same land are left out.")
        if not found.files:
            self.notes.append(f"{wish.source.name}: the catalogue names no file of this land.")
        failed, files = len(self.not_come), []
        for named in found.files:
            file = f"{LAND_FOLDER}/{wish.source.name}_{hashlib.sha256(named.address.encode()).hexdigest()[:10]}.tif"
            if not self.have(file, shown_address(named.address)):
                self.fulfil(replace(wish, file=file, address=named.address, way="part", by_hand=shown_address(named.address)))
            files.append(file)
        if len(self.not_come) == failed:
            self.searched(Searched(wish.source.name, shown_address(wish.address), self._time(), wish.box, tuple(files)))

    def _keep(self, wish: Wish, data: bytes, *, asked: int, requests: int, state: str, piece: Piece | None = None) -> None:
        entry = entry_of(wish, data, fetched=self._time())
        stated = piece.height_datum if piece else ""
        self.keep(
            replace(
                entry,
                asked_bytes=asked,
                requests=requests,
                state=state if state.isprintable() else "",
                height_datum=stated or entry.height_datum,
                note=piece.note if piece else "",
            ),
            data,
        )
        if piece and piece.note:
            self.notes.append(f"{wish.file}: {piece.note}.")

    def _time(self) -> str:
        return self.now().astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def entry_of(wish: Wish, data: bytes, *, fetched: str) -> LandFile:
    """Return the record of a file."""
    source = wish.source
    return LandFile(
        file=wish.file,
        source=source.name,
        title=source.title,
        gives=source.gives.value,
        address=shown_address(wish.address),
        fetched=fetched,
        sha256=hashlib.sha256(data).hexdigest(),
        size=len(data),
        asked_bytes=0,
        requests=0,
        licence=source.licence,
        credit=source.credit,
        extent=wish.box,
        holds=source.holds,
        height_datum=source.height_datum,
        product=source.product,
        unit=source.unit,
        height_epsg=source.height_epsg,
        legend=source.legend,
    )


def judged_extract(answer: Answer, address: str, file: str) -> str:
    """Return the time of the data of an extract of map features; what is none is a `FetchError`."""
    shown = shown_address(address)
    packed = b"OSMHeader" in answer.body[:40]
    if packed != file.endswith(".pbf"):
        raise FetchError("holds another kind of extract than its name says", where=shown, fix="Correct its address.")
    return "" if packed else judge_features(answer, address).state


def judged_by_hand(data: bytes, wish: Wish) -> None:
    """Raise if a file of map features that was put there by hand is none."""
    try:
        judged_extract(Answer(200, {}, data), wish.file, wish.file)
    except FetchError as fault:
        raise MeshplanError(fault.problem, where=wish.file, fix="Take it away, or fetch it again.") from fault
