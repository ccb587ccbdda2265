"""What can go wrong between here and a server."""

from __future__ import annotations

from meshplan.errors import MeshplanError


class FetchError(MeshplanError):
    """A server gave no answer that may be used."""


class UnreachableError(FetchError):
    """There is no way to the server: no network, no such name, nobody listens, no proxy."""


class AbsentError(FetchError):
    """The server answers that there is no such file (404, 410), or none for us (401, 403)."""


class NotServedInPartsError(FetchError):
    """The server sends whole files only."""
