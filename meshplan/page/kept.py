"""Contents of files by their hash, for putting back: small ones in memory, large ones in a folder that ends with the program."""

from __future__ import annotations

import hashlib
import shutil
import tempfile
from collections.abc import Collection
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from meshplan.errors import InputError

MOST_IN_MEMORY_BYTES: Final = 8_000_000
"""Larger contents are kept on the disk (own choice)."""


@dataclass(eq=False)
class Kept:
    """What steps hold of files, each content once."""

    _small: dict[str, bytes] = field(default_factory=dict)
    _large: dict[str, Path] = field(default_factory=dict)
    _place: tempfile.TemporaryDirectory[str] | None = None

    def __contains__(self, digest: str) -> bool:
        """Tell whether a content is kept."""
        return digest in self._small or digest in self._large

    def contents(self) -> list[bytes]:
        """Return the small contents that are kept."""
        return list(self._small.values())

    def keep(self, content: bytes | Path) -> str:
        """Keep a content, or that of a file, and return its hash."""
        if isinstance(content, bytes):
            digest = hashlib.sha256(content).hexdigest()
            if digest not in self:
                self._small[digest] = content
            return digest
        if content.stat().st_size <= MOST_IN_MEMORY_BYTES:
            return self.keep(content.read_bytes())
        digest = hash_of(content)
        if digest not in self:
            if self._place is None:
                self._place = tempfile.TemporaryDirectory(prefix="meshplan-kept-")
            copy = Path(self._place.name) / digest
            shutil.copyfile(content, copy)
            self._large[digest] = copy
        return digest

    def lay(self, digest: str, path: Path, shown: str) -> None:
        """Write a content to a path.

        Raises
        ------
        InputError
            Where it was not kept, because it came from outside and was too large.
        """
        if digest in self._small:
            path.write_bytes(self._small[digest])
        elif digest in self._large:
            shutil.copyfile(self._large[digest], path)
        else:
            fix = "Put it back from a copy of your own."
            raise InputError("was too large to be kept as it was", where=shown, fix=fix)

    def forget_others(self, held: Collection[str | None]) -> None:
        """Forget the contents that nobody can ask for any more."""
        self._small = {digest: content for digest, content in self._small.items() if digest in held}
        for digest in [digest for digest in self._large if digest not in held]:
            self._large.pop(digest).unlink(missing_ok=True)


def hash_of(path: Path) -> str:
    """Return the hash of a file, read piece by piece."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
