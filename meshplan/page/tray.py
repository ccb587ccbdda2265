"""Files that somebody brought to the page: received piece by piece outside the folder, where they wait until their use is clear.

Their names are never trusted: a base name of plain letters, no way to another place, nothing hidden, nothing that a system keeps
for devices. Nothing of a file stands in the folder before all of it came and the readers have looked at it.
"""

from __future__ import annotations

import secrets
import tempfile
import threading
import unicodedata
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from meshplan.errors import InputError
from meshplan.inputs.user_files import short

MOST_HELD: Final = 20
"""Files that wait at a time; the oldest goes."""
MOST_HELD_BYTES: Final = 2_000_000_000
LONGEST_NAME: Final = 100
_DEVICES: Final = frozenset({"con", "prn", "aux", "nul", *(f"{word}{number}" for word in ("com", "lpt") for number in range(10))})
_STRANGE: Final = frozenset('<>:"/\\|?*')


@dataclass(frozen=True)
class Received:
    """A file on the tray."""

    key: str
    name: str
    path: Path
    size: int


@dataclass(eq=False)
class Tray:
    """Files that came and were not put into the folder yet; they go with the program."""

    _held: dict[str, Received] = field(default_factory=dict)
    _place: tempfile.TemporaryDirectory[str] | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)

    async def receive(self, name: str, pieces: AsyncIterator[bytes]) -> Received:
        """Write a file as it comes and return it.

        Raises
        ------
        InputError
            Where the name is none that is taken, or nothing came.
        """
        name = safe_name(name)
        key = secrets.token_hex(8)
        size = 0
        folder = self._folder(key)
        path = folder / name
        try:
            with path.open("xb") as stream:
                async for piece in pieces:
                    size += len(piece)
                    stream.write(piece)
            if not size:
                raise InputError("the file is empty", where=name, fix="Look whether it is the right file.")
        except BaseException:
            path.unlink(missing_ok=True)
            folder.rmdir()
            raise
        received = Received(key, name, path, size)
        with self._lock:
            self._held[key] = received
            while len(self._held) > MOST_HELD or (
                len(self._held) > 1 and sum(one.size for one in self._held.values()) > MOST_HELD_BYTES
            ):
                self._drop(next(iter(self._held)))
        return received

    def lay(self, name: str, content: bytes) -> Received:
        """Lay a file of our own on the tray, to be looked at."""
        key = secrets.token_hex(8)
        path = self._folder(key) / name
        path.write_bytes(content)
        received = Received(key, name, path, len(content))
        with self._lock:
            self._held[key] = received
        return received

    def _folder(self, key: str) -> Path:
        with self._lock:
            if self._place is None:
                self._place = tempfile.TemporaryDirectory(prefix="meshplan-tray-")
            folder = Path(self._place.name) / key
        folder.mkdir()
        return folder

    def get(self, key: object) -> Received:
        """Return a file that waits."""
        with self._lock:
            found = self._held.get(key) if isinstance(key, str) else None
        if found is None:
            raise InputError("is not on the tray any more", where="dropped file", fix="Drop it on the page once more.")
        return found

    def held(self) -> list[Received]:
        """Return all files that wait."""
        with self._lock:
            return list(self._held.values())

    def lay_aside(self, key: str) -> None:
        """Forget a file."""
        with self._lock:
            self._drop(key)

    def close(self) -> None:
        """Forget all files."""
        with self._lock:
            self._held.clear()
            if self._place is not None:
                self._place.cleanup()
                self._place = None

    def _drop(self, key: str) -> None:
        found = self._held.pop(key, None)
        if found is not None:
            found.path.unlink(missing_ok=True)
            found.path.parent.rmdir()


def safe_name(name: str) -> str:
    """Return the name of a dropped file, or refuse one that leads elsewhere or shows itself as another."""
    shown = "".join(letter if letter.isprintable() else "�" for letter in short(name, LONGEST_NAME))
    where = f"file '{shown}'"

    def no(problem: str) -> InputError:
        return InputError(problem, where=where, fix="Give the file a plain name and drop it once more.")

    if not name or name != name.strip() or len(name) > LONGEST_NAME:
        raise no(f"its name is empty, longer than {LONGEST_NAME} letters, or begins or ends with a blank")
    if name.startswith(".") or name.endswith("."):
        raise no("its name begins or ends with a dot")
    if any(letter in _STRANGE for letter in name):
        raise no("its name holds letters that lead to other places or mean something else to a system")
    if any(not letter.isprintable() or (unicodedata.category(letter).startswith(("C", "Z")) and letter != " ") for letter in name):
        raise no("its name holds signs that cannot be seen")
    if name.split(".", maxsplit=1)[0].casefold() in _DEVICES:
        raise no("its name is that of a device")
    return name
