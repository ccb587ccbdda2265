"""A whole file, chunk by chunk, so that one that breaks off goes on where it stopped, today or on another day."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from meshplan.fetching.addresses import shown_address
from meshplan.fetching.client import Answer, Client
from meshplan.fetching.faults import FetchError, NotServedInPartsError, UnreachableError

CHUNK: Final = 8_000_000


@dataclass(frozen=True)
class Begun:
    """The beginning of a file that came before, and the server's word for the state that it was of."""

    etag: str = ""
    data: bytes = b""


def fetch_whole(
    client: Client, url: str, *, most_bytes: int, begun: Begun, keep: Callable[[str, bytes, bool], None]
) -> tuple[Answer, int]:
    """Return a whole file, and how many of its bytes were there before.

    Parameters
    ----------
    client, url
        Whom to ask for what.
    most_bytes : int
        A larger file is a `FetchError` before any of it is kept.
    begun : Begun
        What came before; used only if the server says that the file is still the same.
    keep : callable
        Told of each chunk: the state of the file, the bytes, and whether they are its beginning. Not called where the server
        names no firm state, because nobody could tell later whether the rest belongs to it.
    """
    etag, pieces, size = begun.etag, [begun.data], len(begun.data)
    if not etag or not size:
        etag, pieces, size = "", [], 0
    total: int | None = None
    before = size
    while total is None or size < total:
        last = size + CHUNK - 1 if total is None else min(size + CHUNK, total) - 1
        try:
            answer, total = client.part(url, size, last, etag=etag)
            resumes = before > 0 and size == before
            if resumes and answer.etag != etag:
                raise NotServedInPartsError("it is another file by now", where=shown_address(url), fix="Run the command again.")
        except FetchError as fault:
            if isinstance(fault, UnreachableError):
                raise
            if before > 0 and size == before:  # what had come cannot be gone on with: from the start
                etag, pieces, size, before, total = "", [], 0, 0, None
                continue
            if not isinstance(fault, NotServedInPartsError) or size:
                raise
            return client.get(url, most_bytes=most_bytes), 0
        if total > most_bytes:
            raise FetchError(
                f"the file has {total / 1e6:.0f} MB, at most {most_bytes / 1e6:.3g} MB are taken from its source",
                where=shown_address(url),
                fix="Raise most_mb of the source in land_sources.toml, or name a smaller extract.",
            )
        etag = etag or answer.etag
        if etag:
            keep(etag, answer.body, size == 0)
        pieces.append(answer.body)
        size += len(answer.body)
    return Answer(200, {"ETag": etag} if etag else {}, b"".join(pieces)), before
