"""A file on a server as a file to read in: only the pages that are read are asked for."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any, Final

from meshplan.fetching.addresses import ANOTHER, shown_address
from meshplan.fetching.client import Client
from meshplan.fetching.faults import FetchError

PAGE: Final = 16_384
"""Bytes are asked for in whole pages of this size: the header of a tiled raster fits into one or two."""


class RemoteFile:
    """Pages of one remote file, each asked for once, and what went wrong on the way."""

    def __init__(self, client: Client, url: str, *, most_bytes: int) -> None:
        self._client = client
        self._most_bytes = most_bytes
        self._pages: dict[int, bytes] = {}
        self.url = url
        self.etag = ""
        self.size: int | None = None
        self.asked = 0
        self.ranges: list[tuple[int, int]] = []
        """First and last byte of each request."""
        self.fault: FetchError | None = None
        """Kept for the caller: what raises inside the raster library comes out of it as other words."""

    def read_at(self, start: int, count: int) -> bytes:
        """Return bytes from a place on, fewer at the end of the file."""
        if self.fault is not None:
            raise OSError(str(self.fault))
        if self.size is None:
            self._ask(0, 0)
        assert self.size is not None
        end = min(start + count, self.size)
        if end <= start:
            return b""
        first, last = start // PAGE, (end - 1) // PAGE
        missing = [page for page in range(first, last + 1) if page not in self._pages]
        while missing:
            run = [missing.pop(0)]
            while missing and missing[0] == run[-1] + 1:
                run.append(missing.pop(0))
            self._ask(run[0], run[-1])
        joined = b"".join(self._pages[page] for page in range(first, last + 1))
        return joined[start - first * PAGE : end - first * PAGE]

    def length(self) -> int:
        """Return the size of the whole file."""
        self.read_at(0, 1)
        assert self.size is not None
        return self.size

    def _ask(self, first_page: int, last_page: int) -> None:
        first, last = first_page * PAGE, (last_page + 1) * PAGE - 1
        if self.size is not None:
            last = min(last, self.size - 1)
        try:
            if self.asked + last - first + 1 > self._most_bytes:
                raise FetchError(
                    f"more than {self._most_bytes / 1e6:.0f} MB of it would be needed",
                    where=shown_address(self.url),
                    fix="Allow more with --most-mb, or take coarser data.",
                )
            answer, total = self._client.part(self.url, first, last, etag=self.etag)
            if self.size is not None and total != self.size:
                raise FetchError(
                    f"the server says that the file has {total} bytes, and said {self.size} before",
                    where=shown_address(self.url),
                    fix=ANOTHER,
                )
        except FetchError as fault:
            self.fault = fault
            raise OSError(str(fault)) from fault
        self.size, self.etag = total, self.etag or answer.etag
        self.asked += len(answer.body)
        self.ranges.append((first, first + len(answer.body) - 1))
        for page in range(first_page, last_page + 1):
            self._pages[page] = answer.body[(page - first_page) * PAGE : (page - first_page + 1) * PAGE]


class RemoteReader(io.RawIOBase):
    """One open handle on a remote file.

    A fault reads as the end of the file, because the raster library prints what is raised inside it; who reads looks at
    `RemoteFile.fault` when the library is done, whatever it made of that.
    """

    def __init__(self, remote: RemoteFile) -> None:
        super().__init__()
        self._remote = remote
        self._place = 0

    def readable(self) -> bool:
        """Whether it can be read: always."""
        return True

    def seekable(self) -> bool:
        """Whether it can be moved about in: always."""
        return True

    def tell(self) -> int:
        """Return the place of the next byte."""
        return self._place

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Move to another place."""
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._place}.get(whence)
        self._place = max(0, (self._length() if base is None else base) + offset)
        return self._place

    def read(self, size: int | None = -1) -> bytes:
        """Return the next bytes."""
        count = self._length() - self._place if size is None or size < 0 else size
        try:
            data = self._remote.read_at(self._place, count)
        except OSError:
            return b""
        self._place += len(data)
        return data

    def _length(self) -> int:
        try:
            return self._remote.length()
        except OSError:
            return 0

    def readinto(self, buffer: Any) -> int:
        """Fill a buffer; return how many bytes came."""
        data = self.read(len(buffer))
        buffer[: len(data)] = data
        return len(data)


def opener_for(remote: RemoteFile, name: str) -> Callable[..., RemoteReader]:
    """Return what opens exactly this file under a name of ours, and nothing beside it."""

    def opened(path: str, mode: str = "rb", **_: object) -> RemoteReader:
        if path != name or "r" not in mode:
            raise FileNotFoundError(path)
        return RemoteReader(remote)

    return opened
