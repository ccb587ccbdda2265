"""Who may talk to the page's server: this machine's own page, opened with the address that was printed, and nobody else.

A cookie alone is not enough: browsers send the cookies of 127.0.0.1 to every port of it (RFC 6265, section 8.5). So the address
holds a key good for one use behind `#`, which browsers never send; the page exchanges it for a session key, which it keeps by port,
and a cookie that no script can read. Everything but the page and its scripts, which hold no secret and no data, needs both.
Besides, the names of host and origin must be exactly ours, and the browser must not say that another site asks.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import secrets
from collections.abc import Awaitable, Callable, MutableMapping, Sequence
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from typing import Any, Final

from starlette.exceptions import HTTPException

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

MOST_BODY_BYTES: Final = 8_000_000
"""Largest message; files have a door of their own with a larger limit."""
MOST_FILE_BYTES: Final = 512_000_000
"""Largest file that may be dropped: a raster of 10 000 × 10 000 heights is 400 MB (own choice)."""
MOST_HEAD_BYTES: Final = 16_384
"""Names, values and path of a request together."""
TOO_MUCH: Final = "This is more than fits into one message."
LONGEST_WAIT_S: Final = 60.0
"""How long the next piece of a message may take to come (own choice)."""
TOO_SLOW: Final = "The rest of the message did not come."
MOST_KEYS: Final = 64
"""One-use keys waiting at a time; the oldest goes."""
KEY_HEADER: Final = "meshplan-key"
ENTER: Final = "/enter"
FILE: Final = "/do/file"
"""The door for files: raw bytes in place of a message."""
_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:{tiles}; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
POLICY: Final = _POLICY.format(tiles="")
HEADERS: Final = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cache-control", b"no-store"),
)


@dataclass
class Keys:
    """The keys of one run of the server; only their hashes are kept."""

    waiting: list[bytes] = field(default_factory=list)
    used: set[bytes] = field(default_factory=set)
    sessions: dict[bytes, set[bytes]] = field(default_factory=dict)
    """Session keys by the cookie that each belongs to."""

    def fresh(self) -> str:
        """Return a new key good for one use."""
        key = secrets.token_urlsafe(32)
        self.waiting.append(_hash(key))
        del self.waiting[:-MOST_KEYS]
        return key

    def exchange(self, key: str, cookie: str) -> tuple[str, str] | None:
        """Return a session key and the cookie that goes with it; None where the key is not good.

        A browser that is inside already keeps its cookie, so that its other windows stay inside too.
        """
        digest = _hash(key)
        found = [waiting for waiting in self.waiting if hmac.compare_digest(waiting, digest)]
        if not found:
            return None
        self.waiting.remove(found[0])
        self.used.add(found[0])
        if _hash(cookie) not in self.sessions:
            cookie = secrets.token_urlsafe(32)
        session = secrets.token_urlsafe(32)
        self.sessions.setdefault(_hash(cookie), set()).add(_hash(session))
        return session, cookie

    def was_used(self, key: str) -> bool:
        """Tell whether a key was good and somebody came in with it before."""
        return _hash(key) in self.used

    def fits(self, session: str, cookie: str) -> bool:
        """Tell whether session key and cookie belong together."""
        keys = self.sessions.get(_hash(cookie), set())
        return any(hmac.compare_digest(key, _hash(session)) for key in keys)


def _hash(key: str) -> bytes:
    return hashlib.sha256(key.encode("utf-8", "surrogateescape")).digest()


@dataclass
class Gate:
    """An ASGI application that lets requests through to another one."""

    app: App
    port: int
    keys: Keys
    most_bytes: int = MOST_BODY_BYTES
    most_file_bytes: int = MOST_FILE_BYTES
    longest_wait_s: float = LONGEST_WAIT_S
    tile_origin: str = ""
    """The one origin from which pictures of the map may come while somebody has switched that on."""

    @property
    def host(self) -> str:
        """The only host name that is answered."""
        return f"127.0.0.1:{self.port}"

    @property
    def cookie_name(self) -> str:
        """The name of the cookie; it carries the port, since ports share cookies."""
        return f"meshplan_{self.port}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or refuse it."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            raise RuntimeError("only plain requests are answered")
        refused = self._refusal(scope)
        if refused is not None:
            await _plain(send, *refused, self._always())
            return
        taken, most, whole = [0], self._most(scope), [False]

        async def limited() -> Message:
            if whole[0]:
                return await receive()  # for the end of the connection, which may come whenever it likes
            try:
                message = await asyncio.wait_for(receive(), self.longest_wait_s)
            except TimeoutError as error:
                raise HTTPException(408, TOO_SLOW) from error
            whole[0] = not message.get("more_body", False)
            taken[0] += len(message.get("body", b""))
            if taken[0] > most:
                raise HTTPException(413, TOO_MUCH)
            return message

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                message = {**message, "headers": [*message.get("headers", []), *self._always()]}
            await send(message)

        await self.app(scope, limited, guarded)

    def cookie_of(self, scope: Scope) -> str:
        """Return our cookie of a request; empty where there is none."""
        try:
            jar = SimpleCookie("; ".join(_headers(scope, "cookie")))
        except CookieError:
            return ""
        found = jar.get(self.cookie_name)
        return found.value if found is not None else ""

    def _always(self) -> list[tuple[bytes, bytes]]:
        """Return the headers of every answer."""
        policy = _POLICY.format(tiles=f" {self.tile_origin}" if self.tile_origin else "")
        return [(b"content-security-policy", policy.encode("ascii")), *HEADERS]

    def _most(self, scope: Scope) -> int:
        return self.most_file_bytes if scope["path"] == FILE else self.most_bytes

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        """Return status and words of a refusal; None for a request that may pass."""
        return self._for_others(scope) or self._unfit(scope) or self._unknown(scope)

    def _for_others(self, scope: Scope) -> tuple[int, str] | None:
        """Refuse what was meant for another server, or what another site asks."""
        method = scope["method"]
        hosts, origins, sites = (_headers(scope, name) for name in ("host", "origin", "sec-fetch-site"))
        if hosts != [self.host]:
            return 421, "This address belongs to another server."
        opened = method == "GET" and scope["path"] == "/"
        strange = any(site not in (("same-origin", "none") if opened else ("same-origin",)) for site in sites)
        if strange or any(origin != f"http://{self.host}" for origin in origins) or (method == "POST" and len(origins) != 1):
            return 403, "Another site asks."
        return None

    def _unfit(self, scope: Scope) -> tuple[int, str] | None:
        """Refuse other methods, other kinds of message, and messages that are too large."""
        method = scope["method"]
        if method not in ("GET", "POST"):
            return 405, "Only GET and POST are answered."
        if sum(len(name) + len(value) for name, value in scope["headers"]) + len(scope["path"]) > MOST_HEAD_BYTES:
            return 431, TOO_MUCH
        lengths = _headers(scope, "content-length")
        if any(not length.isdecimal() or int(length) > self._most(scope) for length in lengths):
            return 413, TOO_MUCH
        kind = "application/octet-stream" if scope["path"] == FILE else "application/json"
        if method == "POST" and _headers(scope, "content-type") != [kind]:
            return 415, "Messages are JSON, and files plain bytes."
        return None

    def _unknown(self, scope: Scope) -> tuple[int, str] | None:
        """Refuse who does not bring both keys; the page itself, its files and the way in need none."""
        method, path = scope["method"], scope["path"]
        if (method == "GET" and (path == "/" or path.startswith("/paper/"))) or (method == "POST" and path == ENTER):
            return None
        session = _headers(scope, KEY_HEADER)
        if len(session) != 1 or not self.keys.fits(session[0], self.cookie_of(scope)):
            return 401, "Open the address that meshplan printed."
        return None


def _headers(scope: Scope, name: str) -> list[str]:
    wanted = name.encode("ascii")
    return [value.decode("latin-1") for key, value in scope["headers"] if key == wanted]


async def _plain(send: Send, status: int, words: str, always: Sequence[tuple[bytes, bytes]]) -> None:
    body = words.encode("utf-8")
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode("ascii")), *always]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
