"""The field book of a folder: each change as one step on its files, put back and done again as often as one likes.

A step keeps the bytes of the files it touched, before and after, by their hash; putting back writes those bytes and computes
nothing, so that fifty changes put back give the files of the beginning to the byte. Steps live in memory and end with the program:
what lasts is the folder. Files go through `reporting.file_sets`, all of a step or none, and are compared by hash while the folder
is locked.
"""

from __future__ import annotations

import os
import re
import tempfile
import threading
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Final, Literal

from meshplan.errors import InputError, MeshplanError, raise_faults
from meshplan.inputs.property_files import PropertyFiles
from meshplan.inputs.settings_file import SETTINGS_FILE
from meshplan.inputs.user_files import short
from meshplan.page.contents import Reading, read_names, read_quickly
from meshplan.page.edits import AddShape, AddSite, ConflictError, Edit, Files, SetKey, apply_edits, made_anyway
from meshplan.page.kept import Kept, hash_of
from meshplan.reporting.file_sets import all_or_nothing, recover

Over = Literal["", "mine", "both"]
OUTSIDE: Final = "outside"
MOST_WATCHED_BYTES: Final = 50_000_000
"""Larger files are not changed here: each step keeps a copy of what it touched."""
LOOKED_AT_BYTES: Final = 1_000_000
"""Larger files are read anew only where size, time or number of the file changed."""
_NUMBER: Final = re.compile(r"\d+")


@dataclass(frozen=True)
class Step:
    """One change of the folder: hashes of the files it touched, before and after; None where a file was not there."""

    number: int
    words: str
    by: str
    before: Mapping[str, str | None]
    after: Mapping[str, str | None]


@dataclass(eq=False)
class Book:
    """The folder with the steps made on it since the program began; safe to use from several threads."""

    folder: Path
    steps: list[Step] = field(default_factory=list)
    place: int = 0
    """How many of the steps are done; those behind it were put back."""
    clock: int = 0
    """Counts every change, putting back and doing again included."""
    _kept: Kept = field(default_factory=Kept)
    _known: dict[str, str | None] = field(default_factory=dict)
    _lock: threading.RLock = field(default_factory=threading.RLock)
    _signs: dict[str, tuple[int, ...]] = field(default_factory=dict)
    _large: dict[str, tuple[tuple[int, ...], str]] = field(default_factory=dict)
    """Size, time and number of files that are too large to be read at each look, with the hash that they had."""
    _made: int = 0

    def __post_init__(self) -> None:
        recover(self.folder)
        self.look()

    def hashes(self) -> dict[str, str | None]:
        """Return the hash of each file that can be changed here, as last seen."""
        with self._lock:
            return dict(self._known)

    def step(self, edits: Sequence[Edit], words: str, by: str = "", *, over: Over = "") -> Step | None:
        """Make a change and write it; None where it changes nothing.

        Where somebody else changed the same thing, `over` says what is to be done: "mine" makes the change on what there is now;
        "both" leaves theirs and writes mine beside it, as NAME.mine.EXT, which nothing reads.

        Raises
        ------
        ConflictError
            Somebody else changed the same thing; nothing is written.
        MeshplanError
            The readers would refuse what the change makes; nothing is written.
        """
        with self._lock:
            self.look()
            reading = read_quickly(self.folder)
            for edit in edits:
                if isinstance(edit, SetKey) or (isinstance(edit, AddSite | AddShape) and edit.file is None):
                    continue
                self._refuse_strange(str(edit.file), reading)
            files = self._files(reading)
            changed = apply_edits(files, made_anyway(files, edits) if over else edits)
            if over == "both":
                changed = self._beside(changed)
            return self._take(changed, reading, words, by)

    def choices(self, edits: Sequence[Edit]) -> list[str]:
        """Return what can be done where somebody else changed the same thing; theirs can always stay."""
        with self._lock:
            files = self._files(read_quickly(self.folder))
            try:
                changed = apply_edits(files, made_anyway(files, edits))
            except MeshplanError:
                return ["theirs"]
            return ["theirs", "mine", *(["both"] if any(content is not None for content in changed.values()) else [])]

    def _files(self, reading: Reading) -> Files:
        return Files(self._read, reading.crs, reading.files.sites if reading.files is not None else ())

    def _beside(self, changed: Mapping[str, bytes | None]) -> dict[str, bytes | None]:
        """Return changed files under names of their own beside those that stay."""
        found: dict[str, bytes | None] = {}
        for name, content in changed.items():
            path = PurePosixPath(name)
            names = (path.with_name(f"{path.stem}.mine{number}{path.suffix}") for number in ("", *range(2, 1000)))
            free = next(str(one) for one in names if not os.path.lexists(self.folder / one))
            if content is not None:
                found[free] = content
                self._known[free] = None
        return found

    def take(self, files: Mapping[str, bytes | Path | None], words: str, by: str = "") -> Step | None:
        """Put whole files into the folder, or take some away, as one step; None where that changes nothing.

        Contents may be files elsewhere; they are copied. Raises as `step` does.
        """
        with self._lock:
            self.look()
            for name in set(files) - set(self._known):
                safe_place(self.folder, name)
                self._known[name] = self._hash_of(name)
            return self._take(files, read_quickly(self.folder), words, by)

    def begin(self, files: Mapping[str, bytes | Path], words: str, by: str = "") -> Step | None:
        """Write the first files of a folder, which may not be there yet; refused where it has a property.toml."""
        with self._lock:
            self.look()
            if self.begun:
                fix = "Load the page again."
                raise ConflictError("is there already; somebody began this folder", where=SETTINGS_FILE, fix=fix)
            for name in files:
                safe_place(self.folder, name)
                self._known[name] = self._hash_of(name)
            return self._take(files, None, words, by)

    @property
    def begun(self) -> bool:
        """Whether the folder has a property.toml."""
        return os.path.lexists(self.folder / SETTINGS_FILE)

    def _take(self, changed: Mapping[str, bytes | Path | None], reading: Reading | None, words: str, by: str) -> Step | None:
        """Write files as a step, where the readers find no fault that was not there before (`reading`; None asks them nothing)."""
        after = {name: None if content is None else self._kept.keep(content) for name, content in changed.items()}
        before = {name: self._known.get(name) for name in changed}
        if before == after:
            return None
        if reading is not None:
            for name in changed:
                safe_place(self.folder, name)
            self._refuse_new_faults(changed, reading)
        self._write(after)
        return self._append(words, by, before, after)

    def back(self) -> Step | None:
        """Put the last step back; None where there is none."""
        with self._lock:
            self.look()
            if self.place == 0:
                return None
            step = self.steps[self.place - 1]
            self._put(step.before)
            self.place -= 1
            self.clock += 1
            return step

    def again(self) -> Step | None:
        """Do the step again that was put back last; None where there is none."""
        with self._lock:
            self.look()
            if self.place == len(self.steps):
                return None
            step = self.steps[self.place]
            self._put(step.after)
            self.place += 1
            self.clock += 1
            return step

    def look(self) -> Step | None:
        """Note what was changed outside since the last look as a step of its own; it can be put back like any other.

        A file that was not watched before is taken as it is: putting back never takes away what others made.
        """
        with self._lock:
            for name in _names_in(read_names(self.folder)) - set(self._known):
                self._known[name] = self._hash_of(name)
            now = {name: self._hash_of(name) for name in self._known}
            names = sorted(name for name in now if now[name] != self._known[name])
            if not names:
                return None
            before = {name: self._known[name] for name in names}
            return self._append(f"changed outside: {', '.join(names)}", OUTSIDE, before, {name: now[name] for name in names})

    def watch(self) -> Step | None:
        """Do what `look` does, where size, time or number of a file changed since the last look."""
        with self._lock:
            signs = {name: _sign(self.folder / name) for name in self._known}
            if signs == self._signs:
                return None
            self._signs = signs
            return self.look()

    def _read(self, name: str) -> bytes | None:
        path = safe_place(self.folder, name)
        try:
            if path.stat().st_size > MOST_WATCHED_BYTES:
                fix = "Change it in your editor or map program."
                raise InputError(f"is larger than {MOST_WATCHED_BYTES // 1_000_000} MB", where=name, fix=fix)
            return path.read_bytes()
        except FileNotFoundError:
            return None
        except OSError as error:
            raise InputError(f"cannot be read ({error.strerror})", where=name, fix="Look whether you may read it.") from error

    def _hash_of(self, name: str) -> str | None:
        try:
            path = safe_place(self.folder, name)
            sign = _sign(path)
            if sign and sign[0] > LOOKED_AT_BYTES:
                if self._large.get(name, ((), ""))[0] != sign:
                    self._large[name] = sign, hash_of(path) if sign[0] > MOST_WATCHED_BYTES else self._kept.keep(path)
                return self._large[name][1]
            content = self._read(name)
        except (MeshplanError, OSError):
            return None
        return None if content is None else self._kept.keep(content)

    def _refuse_strange(self, name: str, reading: Reading) -> None:
        safe_place(self.folder, name)
        if name not in _names_in(reading.files):
            raise ConflictError("is no file of sites, cover or boundary of this folder", where=name, fix="Load the page again.")

    def _refuse_new_faults(self, changed: Mapping[str, bytes | Path | None], before: Reading) -> None:
        """Raise the faults that the readers find after a change and did not find before."""
        with tempfile.TemporaryDirectory(prefix="meshplan") as scratch:
            mirror = Path(scratch)
            _mirror(self.folder, mirror, changed, "")
            after = read_quickly(mirror)
        known = Counter(_sense(fault) for fault in before.faults)
        new = []
        for fault in after.faults:
            if known[_sense(fault)] > 0:
                known[_sense(fault)] -= 1
            else:
                new.append(fault)
        raise_faults(new)

    def _put(self, state: Mapping[str, str | None]) -> None:
        self._write(state)
        self._known.update(state)

    def _write(self, state: Mapping[str, str | None]) -> None:
        """Give files the contents of some hashes, all or none; None takes a file away."""
        removed = [name for name, digest in state.items() if digest is None and (self.folder / name).exists()]

        def unchanged() -> None:
            for name in state:
                if self._hash_of(name) != self._known.get(name):
                    raise ConflictError("was changed by somebody else just now", where=name, fix="Make your change once more.")

        with all_or_nothing(self.folder, removed=removed, check=unchanged, own_rights=True) as scratch:
            for name, digest in state.items():
                if digest is not None:
                    (scratch / name).parent.mkdir(parents=True, exist_ok=True)
                    self._kept.lay(digest, scratch / name, name)

    def _append(self, words: str, by: str, before: Mapping[str, str | None], after: Mapping[str, str | None]) -> Step:
        self._made += 1
        self.clock += 1
        step = Step(self._made, words, by, dict(before), dict(after))
        if self.place < len(self.steps):  # nobody can do these again any more
            del self.steps[self.place :]
            held = {digest for step in self.steps for state in (step.before, step.after) for digest in state.values()}
            self._kept.forget_others(held | {*self._known.values(), *before.values(), *after.values()})
        self.steps.append(step)
        self.place += 1
        self._known.update(after)
        return step


def _names_in(files: PropertyFiles | None) -> set[str]:
    if files is None:
        return {SETTINGS_FILE}
    return {SETTINGS_FILE, *files.sites, *files.cover, *files.boundary, *files.search_ground}


def _sign(path: Path) -> tuple[int, ...]:
    try:
        told = path.stat()
    except OSError:
        return ()
    return told.st_size, told.st_mtime_ns, told.st_ino


def _sense(fault: MeshplanError) -> tuple[str, str, str]:
    """Return what a fault says without the number of its row, which other changes shift."""
    return _NUMBER.sub("#", fault.where), fault.problem, fault.fix


def safe_place(folder: Path, name: str) -> Path:
    """Return the path of a file of the folder, or refuse names that lead elsewhere."""
    parts = Path(name).parts
    odd = not parts or Path(name).is_absolute() or any(part == ".." or part.startswith(".") for part in parts)
    if odd or "\\" in name or not name.isprintable():
        raise InputError("is no name of a file in this folder", where=short(name), fix="Name a file inside the folder.")
    path = folder / name
    if path.is_symlink() or not path.parent.resolve().is_relative_to(folder.resolve()):
        fix = "Change it where it is, or put a copy into the folder."
        raise InputError("is a link to another place and is not changed here", where=name, fix=fix)
    return path


def _mirror(folder: Path, mirror: Path, changed: Mapping[str, bytes | Path | None], prefix: str) -> None:
    """Lay out a folder of links to the files of another, with some of them as they are to become."""
    mirror.mkdir(exist_ok=True)
    for name, content in changed.items():
        if content is not None and str(PurePosixPath(name).parent) == (prefix.rstrip("/") or "."):
            if isinstance(content, Path):
                _link(content, mirror / Path(name).name)
            else:
                (mirror / Path(name).name).write_bytes(content)
    for entry in os.scandir(folder):
        inside = f"{prefix}{entry.name}"
        if inside in changed or entry.name.startswith("."):
            continue
        if entry.is_dir() and any(name.startswith(f"{inside}/") for name in changed):
            _mirror(Path(entry.path), mirror / entry.name, changed, f"{inside}/")
            continue
        _link(Path(entry.path), mirror / entry.name)


def _link(path: Path, place: Path) -> None:
    try:
        place.symlink_to(path.resolve())
    except OSError:  # a system that grants links to few
        if path.is_file():
            os.link(path, place)
