"""The first files of a folder, files that are dropped, and pictures to draw on: what the page asks and does about them."""

from __future__ import annotations

import hashlib
import io
import threading
from collections.abc import AsyncIterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np
from pydantic import TypeAdapter, ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from meshplan.errors import InputError, MeshplanError
from meshplan.page.begin import beginning_from, first_files, lists
from meshplan.page.book import Step
from meshplan.page.contents import faults_as_data, read_quickly
from meshplan.page.desk import Desk, step_as_data
from meshplan.page.drop import WORDS, Arrival, judge, taken
from meshplan.page.edits import Place
from meshplan.page.ground import Ground, ground_of
from meshplan.page.messages import answer, message_of, words_of
from meshplan.page.picture_files import (
    IMAGE_SUFFIXES,
    PICTURE_FILE,
    PictureEntry,
    decoded,
    judge_image,
    read_pictures,
    written_pictures,
)
from meshplan.page.picture_warp import WarpedPicture, warped_picture
from meshplan.page.pins import Pin, fit_pins

PREVIEW_PX: Final = 2000
_PINS: Final[TypeAdapter[list[Pin]]] = TypeAdapter(list[Pin])


@dataclass(eq=False)
class Adding:
    """The answers; each is one request."""

    desk: Desk
    _judged: dict[str, Arrival] = field(default_factory=dict)
    _ground: dict[bool, tuple[Any, Ground]] = field(default_factory=dict)
    _warped: dict[tuple[str, str], WarpedPicture] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def routes(self) -> list[Route]:
        """Return what is answered here."""
        return [
            Route("/ask/begin", self.ask_begin),
            Route("/ask/ground", self.ask_ground),
            Route("/ask/picture", self.ask_picture),
            Route("/ask/photo", self.ask_photo),
            Route("/do/begin", self.begin, methods=["POST"]),
            Route("/do/file", self.file, methods=["POST"]),
            Route("/do/take", self.take, methods=["POST"]),
            Route("/do/leave", self.leave, methods=["POST"]),
            Route("/do/fit", self.fit, methods=["POST"]),
            Route("/do/picture", self.picture, methods=["POST"]),
        ]

    async def ask_begin(self, _: Request) -> Response:
        """What may be chosen for a new folder."""
        self.desk.here()
        return answer({"lists": lists(), "folder": self.desk.book.folder.resolve().name, "held": self._held()})

    async def begin(self, request: Request) -> Response:
        """Write the first files; files that wait on the tray come with them where they are named."""
        self.desk.here()
        return await run_in_threadpool(self._begin, await message_of(request))

    def _begin(self, data: dict[str, Any]) -> Response:
        told, folder = beginning_from(data), self.desk.book.folder
        arrivals = [self._arrival(key) for key in data.get("held", []) if isinstance(key, str)]
        if told.place is None:
            place = next((one.place for one in arrivals if one.place is not None), None)
            if place is not None:
                told = told.model_copy(update={"place": Place(lon_deg=place[0], lat_deg=place[1])})
        step = self.desk.book.begin(first_files(told, folder), f"{told.name.strip()}: the sheet begun")
        steps = [step] if step is not None else []
        faults: list[MeshplanError] = []
        for arrival in arrivals:
            try:
                more = self._put(arrival, arrival.uses[0], arrival.received.name, replace=False)
            except MeshplanError as fault:  # it waits on the tray still
                faults.append(fault)
                continue
            steps += [more] if more is not None else []
        for one in steps:
            self.desk.tell_step("done", one)
        return self._done(steps[-1] if steps else None, words=_files(steps), faults=faults_as_data(faults))

    async def file(self, request: Request) -> Response:
        """Take a file that is dropped on the page: at once where it is clear what it is, else it waits for an answer."""
        self.desk.here()
        received = await self.desk.tray.receive(request.query_params.get("name", ""), _pieces(request))
        return await run_in_threadpool(self._file, received.key)

    def _file(self, key: str) -> Response:
        try:
            arrival = self._arrival(key)
        except MeshplanError:
            self.desk.tray.lay_aside(key)
            raise
        folder, name = self.desk.book.folder, arrival.received.name
        there = (folder / name).exists() or (folder / name).is_symlink()
        clear = len(arrival.uses) == 1 and not there and self.desk.book.begun and not self._must_be_pinned(arrival)
        if not clear:
            return answer({"taken": False, **_arrival_as_data(arrival), "there": there, "pin": self._must_be_pinned(arrival)})
        step = self._put(arrival, arrival.uses[0], name, replace=False)
        if step is not None:
            self.desk.tell_step("done", step)
        return self._done(step, taken=True, words=f"{arrival.words} Added as {WORDS[arrival.uses[0]]}.", file=name)

    async def take(self, request: Request) -> Response:
        """Put a file that waits into the folder, with the use and the name that were chosen."""
        self.desk.here()
        return await run_in_threadpool(self._take, await message_of(request))

    def _take(self, data: dict[str, Any]) -> Response:
        arrival = self._arrival(data.get("held"))
        use = data.get("use", arrival.uses[0])
        if use not in arrival.uses:
            raise InputError(
                f"cannot serve as {use!r}", where=arrival.received.name, fix=f"Choose one of: {', '.join(arrival.uses)}."
            )
        name, replace = arrival.received.name, data.get("replace") is True
        if data.get("beside") is True:
            name = self._free_name(name)
        crs = data.get("crs")
        step = self._put(arrival, use, name, replace=replace, crs=crs if isinstance(crs, str) else None)
        if step is not None:
            self.desk.tell_step("done", step)
        return self._done(step, taken=True, words=f"{arrival.words} Added as {WORDS[use]}.", file=name)

    async def leave(self, request: Request) -> Response:
        """Forget a file that waits."""
        self.desk.here()
        data = await message_of(request)
        key = str(data.get("held", ""))
        self._judged.pop(key, None)
        self.desk.tray.lay_aside(key)
        return answer({"held": self._held()})

    def _put(self, arrival: Arrival, use: str, name: str, *, replace: bool, crs: str | None = None) -> Step | None:
        book = self.desk.book
        if not book.begun:
            raise InputError("there is no folder yet", where=name, fix="Begin the sheet first.")
        if not replace and ((book.folder / name).exists() or (book.folder / name).is_symlink()):
            raise InputError("there is a file of that name", where=name, fix="Say whether it is to be replaced, or kept beside it.")
        if use == "world":
            changed = self._with_world(arrival, name, crs)
        elif use == "picture":
            if self._must_be_pinned(arrival):
                raise InputError("does not say where it lies", where=name, fix="Pin it on the land.")
            changed = taken(arrival, use, name, book.folder, self._with_entry(PictureEntry(file=name, crs=self._crs())))
        else:
            changed = taken(arrival, use, name, book.folder)
        step = book.take(changed, f"{name} added: {WORDS[use]}" if not replace else f"{name} replaced: {WORDS[use]}")
        self._forget(arrival)
        return step

    def _with_world(self, arrival: Arrival, name: str, crs: str | None) -> dict[str, Any]:
        """Return the files of a step that gives a picture, in the folder or on the tray, its world file."""
        book, stem = self.desk.book, Path(name).stem.casefold()
        crs = crs or self._crs()
        if crs is None:
            fix = 'Say which projection it speaks of, such as "EPSG:25832".'
            raise InputError("says metres, and nothing says in which projection", where=name, fix=fix)
        changed: dict[str, Any] = {}
        for one in self.desk.tray.held():
            if Path(one.name).stem.casefold() == stem and Path(one.name).suffix.casefold() in IMAGE_SUFFIXES:
                changed = taken(self._arrival(one.key), "picture", one.name, book.folder)
                picture = one.name
                break
        else:
            names = [path.name for path in sorted(book.folder.iterdir()) if path.suffix.casefold() in IMAGE_SUFFIXES]
            picture = next((one for one in names if Path(one).stem.casefold() == stem), "")
        if not picture:
            raise InputError("there is no picture of that name", where=name, fix="Drop the picture first, then its world file.")
        entry = PictureEntry(file=picture, world=name, crs=crs)
        return {**changed, name: arrival.received.path, **self._with_entry(entry)}

    def _must_be_pinned(self, arrival: Arrival) -> bool:
        return arrival.uses[0] == "picture" and arrival.place is None

    def _arrival(self, key: object) -> Arrival:
        received = self.desk.tray.get(key)
        found = self._judged.get(received.key)
        if found is None:
            found = self._judged[received.key] = judge(received, self._crs())
        return found

    def _forget(self, arrival: Arrival) -> None:
        self._judged.pop(arrival.received.key, None)
        self.desk.tray.lay_aside(arrival.received.key)

    def _held(self) -> list[dict[str, Any]]:
        keys = [one.key for one in self.desk.tray.held()]
        self._judged = {key: self._judged[key] for key in keys if key in self._judged}
        return [_arrival_as_data(one) for one in self._judged.values()]

    def _crs(self) -> str | None:
        return read_quickly(self.desk.book.folder).crs if self.desk.book.begun else None

    def _free_name(self, name: str) -> str:
        stem, ending = Path(name).stem, Path(name).suffix
        names = (f"{stem}-{number}{ending}" for number in range(2, 1000))
        return next(one for one in names if not (self.desk.book.folder / one).exists())

    def _done(self, step: Step | None, **more: Any) -> Response:
        book = self.desk.book
        return answer({"clock": book.clock, "place": book.place, "step": step_as_data(step) if step else None, **more})

    async def ask_ground(self, request: Request) -> Response:
        """Shaded heights and the user's pictures: `?fine=no` for an overview at once."""
        self.desk.here()
        return await run_in_threadpool(self._ask_ground, request.query_params.get("fine", "yes") != "no")

    def _ask_ground(self, fine: bool) -> Response:
        told = self._drawn_ground(fine).as_data() if self.desk.book.begun else Ground(None, "There is no ground yet.").as_data()
        pictures, faults = [], list(told["faults"])
        for entry in self._entries(faults):
            one: dict[str, Any] = {"file": entry.file, "strength": entry.strength, "pins": [pin.model_dump() for pin in entry.pins]}
            try:
                warped, mark = self._picture_of(entry)
                one |= {"bounds": warped.bounds, "mark": mark, "residual_m": list(warped.residual_m)}
                one |= {"wide_px": warped.wide_px, "high_px": warped.high_px}
            except MeshplanError as fault:
                one["faults"] = faults_as_data(fault)
            pictures.append(one)
        return answer({**told, "faults": faults, "pictures": pictures, "clock": self.desk.book.clock})

    def _drawn_ground(self, fine: bool) -> Ground:
        """Return the ground, drawn anew only where a file changed on which it rests."""
        book = self.desk.book
        state = book.hashes(), tuple(_sign(book.folder / name) for name in self._rasters())
        with self._lock:
            known = self._ground.get(fine)
        if known is not None and known[0] == state:
            return known[1]
        ground = ground_of(book.folder, fine=fine)
        with self._lock:
            self._ground[fine] = (state, ground)
        return ground

    def _rasters(self) -> list[str]:
        files = read_quickly(self.desk.book.folder).files
        return [] if files is None else [raster.file for raster in files.elevation]

    def _entries(self, faults: list[dict[str, Any]] | None = None) -> tuple[PictureEntry, ...]:
        path = self.desk.book.folder / PICTURE_FILE
        try:
            return read_pictures(path.read_bytes() if path.is_file() else None)
        except InputError as fault:
            if faults is None:
                raise
            faults += faults_as_data(fault)
            return ()

    def _picture_of(self, entry: PictureEntry) -> tuple[WarpedPicture, str]:
        folder = self.desk.book.folder
        names = [name for name in (entry.file, entry.world, entry.overlay) if name is not None]
        for name in names:
            if Path(name).name != name or (folder / name).is_symlink() or not (folder / name).is_file():
                raise InputError("is no file of this folder", where=f"{PICTURE_FILE}, '{name}'", fix="Drop it on the page again.")
        told = repr((entry, [_sign(folder / name) for name in names]))
        mark = hashlib.sha256(told.encode("utf-8")).hexdigest()[:16]
        with self._lock:
            known = self._warped.get((entry.file, mark))
        if known is None:
            known = warped_picture(folder, entry)
            with self._lock:
                for key in [key for key in self._warped if key[0] == entry.file]:
                    del self._warped[key]
                self._warped[entry.file, mark] = known
        return known, mark

    async def ask_picture(self, request: Request) -> Response:
        """One picture as it lies on the sheet."""
        self.desk.here()
        return await run_in_threadpool(self._ask_picture, request.query_params.get("file", ""))

    def _ask_picture(self, file: str) -> Response:
        entry = next((one for one in self._entries() if one.file == file), None)
        if entry is None:
            raise InputError("is no picture of this folder", where=f"{PICTURE_FILE}, '{file[:100]}'", fix="Load the page again.")
        return Response(self._picture_of(entry)[0].webp, media_type="image/webp")

    async def ask_photo(self, request: Request) -> Response:
        """A picture as it is, for pinning: `?held=` one that waits, or `?file=` one of picture.toml; large ones are reduced."""
        self.desk.here()
        return await run_in_threadpool(self._ask_photo, request.query_params.get("held"), request.query_params.get("file", ""))

    def _ask_photo(self, held: str | None, file: str) -> Response:
        path, name = self._photo(held, file)
        image, factor = decoded(path, name, PREVIEW_PX)
        stream = io.BytesIO()
        image.save(stream, "WEBP", quality=80)
        return Response(stream.getvalue(), media_type="image/webp", headers={"meshplan-pixels": f"{factor:.6f}"})

    def _photo(self, held: object, file: object) -> tuple[Path, str]:
        if held:
            arrival = self._arrival(held)
            return arrival.received.path, arrival.received.name
        entry = next((one for one in self._entries() if one.file == file), None)
        if entry is None or Path(entry.file).suffix.casefold() not in IMAGE_SUFFIXES:
            raise InputError("is no picture that can be pinned", where=PICTURE_FILE, fix="Load the page again.")
        path = self.desk.book.folder / entry.file
        if Path(entry.file).name != entry.file or path.is_symlink():
            raise InputError("is no file of this folder", where=PICTURE_FILE, fix="Drop it on the page again.")
        return path, entry.file

    async def fit(self, request: Request) -> Response:
        """Try pins; nothing is written."""
        self.desk.here()
        return await run_in_threadpool(self._fit, await message_of(request))

    def _fit(self, data: dict[str, Any]) -> Response:
        path, name = self._photo(data.get("held"), data.get("file"))
        size = judge_image(path, name)
        fit = fit_pins(_pins(data), size.wide_px, size.high_px, name)
        corners = fit.placing.corners_deg(size.wide_px, size.high_px)
        return answer(
            {
                "kind": fit.kind,
                "residual_m": list(fit.residual_m),
                "worst": fit.worst,
                "metres_per_px": fit.metres_per_px,
                "words": fit.words,
                "corners": [{"lon_deg": lon, "lat_deg": lat} for lon, lat in corners],
                "matrix": np.asarray(fit.placing.matrix).tolist(),
            }
        )

    async def picture(self, request: Request) -> Response:
        """Pin a picture down, or change how strongly it shows; `drop` takes it off the sheet and leaves its file."""
        self.desk.here()
        return await run_in_threadpool(self._picture, await message_of(request))

    def _picture(self, data: dict[str, Any]) -> Response:
        book, words = self.desk.book, words_of(data)
        if data.get("drop") is True:
            rest = [one for one in self._entries() if one.file != data.get("file")]
            changed: dict[str, Any] = {PICTURE_FILE: written_pictures(rest) if rest else None}
            step = book.take(changed, words or f"{data.get('file')} off the sheet"[:100])
        elif "pins" in data:
            path, name = self._photo(data.get("held"), data.get("file"))
            size = judge_image(path, name)
            pins = tuple(_pins(data))
            fit_pins(pins, size.wide_px, size.high_px, name)
            entry = PictureEntry(file=name, pins=pins, strength=_strength(data, 0.8))
            if data.get("held"):
                arrival = self._arrival(data["held"])
                if not book.begun:
                    raise InputError("there is no folder yet", where=name, fix="Begin the sheet first.")
                if (book.folder / name).exists() and data.get("replace") is not True:
                    name = self._free_name(name)
                    entry = entry.model_copy(update={"file": name})
                changed = taken(arrival, "picture", name, book.folder, self._with_entry(entry))
                step = book.take(changed, words or f"{name} pinned down")
                self._forget(arrival)
            else:
                step = book.take(self._with_entry(entry), words or f"{name} pinned down")
        else:
            known = next((one for one in self._entries() if one.file == data.get("file")), None)
            if known is None:
                raise InputError("is no picture of this folder", where=PICTURE_FILE, fix="Load the page again.")
            entry = known.model_copy(update={"strength": _strength(data, known.strength)})
            step = book.take(self._with_entry(entry), words or f"{known.file}: strength {entry.strength:g}")
        if step is not None:
            self.desk.tell_step("done", step)
        return self._done(step)

    def _with_entry(self, entry: PictureEntry) -> dict[str, Any]:
        others = [one for one in self._entries() if one.file != entry.file]
        return {PICTURE_FILE: written_pictures([*others, entry])}


async def _pieces(request: Request) -> AsyncIterator[bytes]:
    async for piece in request.stream():
        yield piece


def _arrival_as_data(arrival: Arrival) -> dict[str, Any]:
    place, picture = arrival.place, arrival.picture
    return {
        "held": arrival.received.key,
        "file": arrival.received.name,
        "words": arrival.words,
        "uses": [{"use": use, "words": WORDS[use]} for use in arrival.uses],
        "where": None if place is None else {"lon_deg": place[0], "lat_deg": place[1]},
        "box_deg": arrival.box_deg,
        "wide_px": None if picture is None else picture.wide_px,
        "high_px": None if picture is None else picture.high_px,
    }


def _pins(data: dict[str, Any]) -> list[Pin]:
    try:
        return _PINS.validate_python(data.get("pins"))
    except ValidationError as error:
        raise InputError("are no pins", where="message", fix="Load the page again.") from error


def _strength(data: dict[str, Any], usual: float) -> float:
    value = data.get("strength", usual)
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= 1:
        raise InputError("is no strength from 0 to 1", where="message", fix="Load the page again.")
    return float(value)


def _files(steps: list[Step]) -> str:
    names = sorted({name for step in steps for name, digest in step.after.items() if digest is not None})
    return f"Written: {', '.join(names)}." if names else "Nothing was written."


def _sign(path: Path) -> tuple[int, ...]:
    with suppress(OSError):
        told = path.stat()
        return told.st_size, told.st_mtime_ns, told.st_ino
    return ()
