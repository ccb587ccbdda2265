"""The one way to the network: checked addresses, few redirects, tries with pauses, sizes with limits, every byte counted.

Notes
-----
A host is resolved once, every number behind it is judged, and the connection goes to one of these numbers; names that answer
otherwise the second time gain nothing. Where the environment names a proxy, the proxy resolves; then only hosts that are written as
numbers can be judged here. Hosts that the user names as his own are asked directly. Certificates are always checked.
"""

from __future__ import annotations

import re
import ssl
import time
import urllib.request
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Final
from urllib.parse import urlencode, urlsplit

import certifi
import urllib3
from urllib3.exceptions import (
    ConnectTimeoutError,
    HTTPError,
    LocationParseError,
    NameResolutionError,
    NewConnectionError,
    ProxyError,
    SSLError,
)

from meshplan import __version__
from meshplan.fetching.addresses import (
    ANOTHER,
    PORTS,
    Address,
    is_public,
    joined,
    literal_ip,
    parse_address,
    refuse_private,
    resolve,
    shown_address,
)
from meshplan.fetching.faults import AbsentError, FetchError, NotServedInPartsError, UnreachableError

AGENT: Final = f"meshplan/{__version__} (radio network planner; one property at a time)"
"""What servers are told of who asks."""
CONNECT_S, READ_S = 10.0, 30.0
TRIES: Final = 4
LONGEST_WAIT_S: Final = 120.0
MOST_REDIRECTS: Final = 3
_PIECE: Final = 65_536
_GRACE_S, _SLOWEST_BYTES_PER_S = 30.0, 1000.0
"""After so long an answer must have come at so many bytes a second; a dial-up line gives more."""
_BUSY: Final = (429, 500, 502, 503, 504)
_MOVED: Final = (301, 302, 303, 307, 308)
_RANGE: Final = re.compile(r"bytes (\d{1,18})-(\d{1,18})/(\d{1,18})")
LATER: Final = "Try again later: what has come so far stays."


@dataclass(frozen=True)
class Answer:
    """What a server sent."""

    status: int
    headers: Mapping[str, str]
    body: bytes

    @property
    def etag(self) -> str:
        """The server's word for this state of the file; empty if it gives none that is firm."""
        stated = self.headers.get("ETag", "")
        return stated if stated.startswith('"') and len(stated) < 200 and stated.isprintable() else ""

    @property
    def is_whole(self) -> bool:
        """Whether the server said how long it is, so that one that breaks off would have been noticed."""
        return "Content-Length" in self.headers or "chunked" in self.headers.get("Transfer-Encoding", "").casefold()


class _Again(Exception):  # noqa: N818 - it is no fault yet
    """A fault that may pass: worth another try after a pause."""

    def __init__(self, fault: FetchError, wait_s: float | None = None) -> None:
        super().__init__(str(fault))
        self.fault = fault
        self.wait_s = wait_s


@dataclass
class Client:
    """Asks servers within limits.

    Parameters
    ----------
    private_hosts : frozenset of str
        "host:port" on this machine or its own network that the user named.
    most_bytes : int
        Most bytes of answers in all.
    on_wait : callable, optional
        Told how many seconds a pause takes and why.
    """

    private_hosts: frozenset[str] = frozenset()
    most_bytes: int = 200_000_000
    on_wait: Callable[[float, str], None] = lambda _, __: None
    sleep: Callable[[float], None] = field(default_factory=lambda: time.sleep)
    connect_s: float = CONNECT_S
    read_s: float = READ_S
    requests: int = 0
    received: int = 0
    _pools: dict[tuple[str, str, int], urllib3.HTTPConnectionPool] = field(default_factory=dict)
    _proxies: dict[str, urllib3.ProxyManager] = field(default_factory=dict)

    def get(self, url: str, *, most_bytes: int, accept: str = "*/*", read_s: float | None = None) -> Answer:
        """Return a whole answer."""
        return self._tried("GET", url, {"Accept": accept}, None, most_bytes, read_s)

    def post(
        self, url: str, body: bytes, kind: str, *, most_bytes: int, accept: str = "*/*", read_s: float | None = None
    ) -> Answer:
        """Return the answer to a question sent as a body."""
        return self._tried("POST", url, {"Accept": accept, "Content-Type": kind}, body, most_bytes, read_s)

    def post_form(
        self, url: str, fields: Mapping[str, str], *, most_bytes: int, read_s: float | None = None, pause_s: float = 1.0
    ) -> Answer:
        """Return the answer to a form; `pause_s` is the first pause where the server asks for none, doubled each time."""
        body = urlencode(fields).encode("ascii")
        headers = {"Accept": "*/*", "Content-Type": "application/x-www-form-urlencoded"}
        return self._tried("POST", url, headers, body, most_bytes, read_s, pause_s=pause_s)

    def part(self, url: str, first: int, last: int, *, etag: str = "") -> tuple[Answer, int]:
        """Return bytes `first` to `last` of a file, fewer where it ends before, and the size of the whole file.

        An answer for other bytes, of another length, or of the whole file is a fault.
        """
        headers = {"Range": f"bytes={first}-{last}", "Accept": "*/*"} | ({"If-Range": etag} if etag else {})
        shown = shown_address(url)
        try:
            answer = self._tried("GET", url, headers, None, last - first + 1, None, in_parts=True)
        except NotServedInPartsError as fault:
            if not etag:
                raise
            raise NotServedInPartsError("the file changed while it was read", where=shown, fix="Run the command again.") from fault
        found = _RANGE.fullmatch(answer.headers.get("Content-Range", "").strip())
        if found is None:
            raise FetchError("the server does not say which bytes it sends", where=shown, fix=ANOTHER)
        start, end, total = (int(number) for number in found.groups())
        if start != first or end != min(last, total - 1) or len(answer.body) != end - start + 1:
            raise FetchError(
                f"bytes {first} to {last} were asked for, the server says it sends {start} to {end} of {total} and sent "
                f"{len(answer.body)}",
                where=shown,
                fix=ANOTHER,
            )
        if etag and answer.etag and answer.etag != etag:
            raise FetchError("the file changed while it was read", where=shown, fix="Run the command again.")
        return answer, total

    def close(self) -> None:
        """Close all connections."""
        for pool in self._pools.values():
            pool.close()
        for proxy in self._proxies.values():
            proxy.clear()

    def _tried(
        self,
        method: str,
        url: str,
        headers: dict[str, str],
        body: bytes | None,
        most_bytes: int,
        read_s: float | None,
        *,
        in_parts: bool = False,
        pause_s: float = 1.0,
    ) -> Answer:
        for attempt in range(TRIES):
            try:
                return self._followed(method, url, headers, body, most_bytes, read_s or self.read_s, in_parts)
            except _Again as again:
                if attempt == TRIES - 1:
                    raise again.fault from again
                wait_s = min(LONGEST_WAIT_S, pause_s * 2.0**attempt if again.wait_s is None else again.wait_s)
                self.on_wait(wait_s, again.fault.problem)
                self.sleep(wait_s)
        raise AssertionError("the last try returns or raises")

    def _followed(
        self, method: str, url: str, headers: dict[str, str], body: bytes | None, most_bytes: int, read_s: float, in_parts: bool
    ) -> Answer:
        """Ask, and go where the server sends us: at most three times, by the same scheme, to hosts that may be asked."""
        here = parse_address(url)
        for _ in range(MOST_REDIRECTS + 1):
            with self._sent(method, here, headers, body, read_s) as response:
                status = int(response.status)
                if status not in _MOVED:
                    return self._read(response, here, most_bytes, in_parts)
                target = response.headers.get("Location", "")
            there = parse_address(joined(here.url, target))
            if method != "GET" or there.scheme != here.scheme or not target:
                raise FetchError(
                    f"the server sends us on to {shown_address(there.url)}, where meshplan does not follow",
                    where=shown_address(url),
                    fix=ANOTHER,
                )
            here = there
        raise FetchError("the server sends us on again and again", where=shown_address(url), fix=ANOTHER)

    @contextmanager
    def _sent(
        self, method: str, address: Address, headers: dict[str, str], body: bytes | None, read_s: float
    ) -> Iterator[urllib3.BaseHTTPResponse]:
        shown = shown_address(address.url)
        asked = {"User-Agent": AGENT, "Accept-Encoding": "identity", **headers}
        timeout = urllib3.Timeout(connect=self.connect_s, read=read_s)
        self.requests += 1
        response: urllib3.BaseHTTPResponse | None = None
        try:
            response = self._opened(method, address, asked, body, timeout)
            yield response
        except SSLError as error:
            fix = "Look at the clock of this machine, and at SSL_CERT_FILE where a proxy has its own certificates."
            raise UnreachableError("its certificate cannot be checked, so nothing is asked", where=shown, fix=fix) from error
        except (NameResolutionError, NewConnectionError, ConnectTimeoutError, ProxyError) as error:
            what = "the proxy lets nothing through" if isinstance(error, ProxyError) else "nobody answers there"
            raise UnreachableError(what, where=shown, fix="Look at the network.") from error
        except LocationParseError as error:
            raise FetchError("is no address", where=shown, fix=ANOTHER) from error
        except (HTTPError, OSError, ValueError) as error:
            raise _Again(FetchError(f"the answer did not come whole ({_words(error)})", where=shown, fix=LATER)) from error
        finally:
            if response is not None:
                with suppress(HTTPError, OSError):
                    response.close()

    def _opened(
        self, method: str, address: Address, headers: dict[str, str], body: bytes | None, timeout: urllib3.Timeout
    ) -> urllib3.BaseHTTPResponse:
        proxy = self._proxy_for(address)
        if proxy is not None:
            literal = literal_ip(address.host)
            if (literal is not None and not is_public(literal)) or address.host.rstrip(".") == "localhost":
                refuse_private(literal or address.host, address)
            return proxy.urlopen(
                method, address.url, body=body, headers=headers, timeout=timeout, redirect=False, retries=False,
                preload_content=False, decode_content=False,
            )  # fmt: skip
        refused: Exception | None = None
        for pool in self._pools_for(address):
            try:
                return pool.urlopen(
                    method, address.target, body=body, headers={"Host": _host(address), **headers}, timeout=timeout,
                    redirect=False, retries=False, preload_content=False, decode_content=False, assert_same_host=False,
                )  # fmt: skip
            except (NewConnectionError, ConnectTimeoutError) as error:
                refused = error
        assert refused is not None
        raise refused

    def _pools_for(self, address: Address) -> Iterator[urllib3.HTTPConnectionPool]:
        """Give a connection to each number behind a host, made when it is first needed."""
        key = (address.scheme, address.host, address.port)
        if key in self._pools:
            yield self._pools[key]
            return
        for number in resolve(address, allowed=f"{address.host}:{address.port}" in self.private_hosts):
            if address.scheme == "https":
                pool: urllib3.HTTPConnectionPool = urllib3.HTTPSConnectionPool(
                    number, address.port, maxsize=1, ssl_context=_certificates(), server_hostname=address.host,
                    assert_hostname=address.host,
                )  # fmt: skip
            else:
                pool = urllib3.HTTPConnectionPool(number, address.port, maxsize=1)
            self._pools[key] = pool  # a number that fails is replaced by the next one
            yield pool

    def _proxy_for(self, address: Address) -> urllib3.ProxyManager | None:
        """Return the proxy that the environment names for a host, if any."""
        if f"{address.host}:{address.port}" in self.private_hosts:
            return None
        stated = urllib.request.getproxies()
        url = stated.get(address.scheme) or stated.get("all")
        if not url or urllib.request.proxy_bypass(f"{address.host}:{address.port}"):
            return None
        if url not in self._proxies:
            parts = urlsplit(url if "://" in url else f"http://{url}")
            if parts.scheme not in ("http", "https") or not parts.hostname:
                raise UnreachableError(
                    f"the environment names a proxy of the kind '{parts.scheme}', which is not known",
                    where="https_proxy",
                    fix="Name an http: or https: proxy, or set no_proxy.",
                )
            known = f"{parts.username or ''}:{parts.password or ''}" if parts.username or parts.password else None
            bare = f"{parts.scheme}://{parts.netloc.rpartition('@')[2]}"
            self._proxies[url] = urllib3.ProxyManager(
                bare, proxy_headers=urllib3.make_headers(proxy_basic_auth=known), ssl_context=_certificates(), maxsize=1
            )
        return self._proxies[url]

    def _read(self, response: urllib3.BaseHTTPResponse, address: Address, most_bytes: int, in_parts: bool) -> Answer:
        status, shown = int(response.status), shown_address(address.url)
        if status in _BUSY:
            problem = "the server asks us to wait" if status == 429 else f"the server is in trouble (answer {status})"
            raise _Again(FetchError(problem, where=shown, fix=LATER), _asked_wait_s(response.headers.get("Retry-After", "")))
        if status in (401, 403, 404, 410):
            needs = "the server wants an account, or has no such file" if status in (401, 403) else "there is no such file"
            raise AbsentError(f"{needs} (answer {status})", where=shown, fix=ANOTHER)
        if in_parts and status == 200:
            raise NotServedInPartsError("the server sends whole files only, no parts of them", where=shown, fix=ANOTHER)
        if status != (206 if in_parts else 200):
            raise FetchError(f"the server answers {status}", where=shown, fix=ANOTHER)
        if response.headers.get("Content-Encoding", "identity").strip().casefold() not in ("identity", ""):
            raise FetchError("the server packs its answer though it was asked not to", where=shown, fix=ANOTHER)
        most = min(most_bytes, self.most_bytes - self.received)
        stated = response.headers.get("Content-Length", "")
        if stated.isdigit() and int(stated) > most:
            self._refuse_size(f"{int(stated) / 1e6:.1f} MB", most_bytes, shown)
        pieces: list[bytes] = []
        size, began = 0, time.monotonic()
        while piece := response.read1(_PIECE):
            size += len(piece)
            self.received += len(piece)
            if size > most:
                self._refuse_size("more", most_bytes, shown)
            pieces.append(piece)
            passed_s = time.monotonic() - began
            if passed_s > _GRACE_S and size < passed_s * _SLOWEST_BYTES_PER_S:
                raise _Again(FetchError("the answer trickles and was given up", where=shown, fix=LATER))
        if stated.isdigit() and size != int(stated):
            raise _Again(FetchError(f"the answer ended after {size} of {stated} bytes", where=shown, fix=LATER))
        return Answer(status, response.headers, b"".join(pieces))

    def _refuse_size(self, sent: str, most_bytes: int, shown: str) -> None:
        left = self.most_bytes - self.received
        if left < most_bytes:
            raise FetchError(
                f"the answers come to more than the {self.most_bytes / 1e6:.3g} MB that are allowed in all",
                where=shown,
                fix="Allow more with --most-mb, or take coarser data.",
            )
        raise FetchError(f"the server sends {sent}, at most {most_bytes / 1e6:.3g} MB were expected", where=shown, fix=ANOTHER)


def _host(address: Address) -> str:
    host = f"[{address.host}]" if ":" in address.host else address.host
    return host if address.port == PORTS[address.scheme] else f"{host}:{address.port}"


def _certificates() -> ssl.SSLContext:
    """Return the certificates of the system, or where it has none those of the package certifi."""
    known = ssl.get_default_verify_paths()
    if known.cafile is None and known.capath is None:
        return ssl.create_default_context(cafile=certifi.where())
    return ssl.create_default_context()


def _asked_wait_s(stated: str) -> float | None:
    """Return the pause that a server asks for, in seconds or as a date; None where it names none that can be read."""
    text = stated.strip()
    if text.isdigit() and len(text) < 7:
        return float(text)
    with suppress(ValueError, TypeError, OverflowError):
        then = parsedate_to_datetime(text)
        return max(0.0, (then - datetime.now(then.tzinfo or UTC)).total_seconds()) if then.tzinfo else None
    return None


def _words(error: BaseException) -> str:
    name = type(error).__name__
    return {"ReadTimeoutError": "it stalled", "ProtocolError": "the connection broke", "IncompleteRead": "it is too short"}.get(
        name, name
    )
