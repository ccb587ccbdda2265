"""Which addresses may be asked: http and https, on hosts of the public Internet or named by the user, without passwords."""

from __future__ import annotations

import ipaddress
import re
import socket
from dataclasses import dataclass
from typing import Final
from urllib.parse import parse_qsl, quote, urljoin, urlsplit, urlunsplit

from meshplan.fetching.faults import FetchError, UnreachableError

IpAddress = ipaddress.IPv4Address | ipaddress.IPv6Address

PORTS: Final = {"http": 80, "https": 443}
_HOST: Final = re.compile(r"[a-z0-9](?:[a-z0-9._-]*[a-z0-9])?\.?|[0-9a-f:.]+", re.IGNORECASE)
_NAT64: Final = ipaddress.IPv6Network("64:ff9b::/96")
_SECRET_KEYS: Final = frozenset(
    {"sig", "signature", "token", "access_token", "apikey", "api_key", "api-key", "key", "x-amz-signature", "x-amz-credential",
     "x-amz-security-token", "x-goog-signature", "x-goog-credential", "awsaccesskeyid", "policy", "key-pair-id", "se", "sv"}
)  # fmt: skip
_SIGNING_KEYS: Final = _SECRET_KEYS - {"key", "se", "sv", "policy"}
LEFT_OUT: Final = "left-out"
"""Stands in place of a key or signature wherever an address is kept or shown."""
_SAFE: Final = "%/:=&?~#+!$,;'@()*[]"
ANOTHER: Final = "Name another source, or its address as the supplier states it."


@dataclass(frozen=True)
class Address:
    """An address in parts, as it is connected to: nothing is parsed a second time."""

    scheme: str
    host: str
    port: int
    target: str
    """Path and query."""

    @property
    def url(self) -> str:
        """The whole of it."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        port = "" if self.port == PORTS[self.scheme] else f":{self.port}"
        return f"{self.scheme}://{host}{port}{self.target}"


def parse_address(url: str) -> Address:
    """Return the parts of an address; raise `FetchError` for one that meshplan does not ask."""
    shown = shown_address(url)
    if len(url) > 8000 or not url.isprintable() or any(mark in url for mark in ' "<>\\^`{}|'):
        raise FetchError("holds characters that no address has", where=shown, fix=ANOTHER)
    try:
        parts = urlsplit(url)
        port = parts.port
        host = (parts.hostname or "").casefold()
    except ValueError as error:
        raise FetchError("is no address", where=shown, fix=ANOTHER) from error
    if parts.scheme not in PORTS:
        begins = f"'{parts.scheme}:' is not asked" if parts.scheme else "does not begin with https://"
        raise FetchError(f"{begins}: only addresses that begin with https:// or http:// are", where=shown, fix=ANOTHER)
    if parts.username is not None or parts.password is not None:
        raise FetchError("holds a name or password", where=shown, fix="Name a source that needs none.")
    if not host.isascii() or _HOST.fullmatch(host) is None:
        raise FetchError("its host is no plain name", where=shown, fix="Write a host with other letters in its ASCII form (xn--…).")
    path = quote(parts.path or "/", safe=_SAFE.replace("?", "").replace("#", ""))
    target = f"{path}?{quote(parts.query, safe=_SAFE.replace('#', ''))}" if parts.query else path
    return Address(parts.scheme, host, port or PORTS[parts.scheme], target)


def joined(base: str, target: str) -> str:
    """Return the address that a link on a page means."""
    try:
        return urljoin(base, target)
    except ValueError as error:
        raise FetchError("a link on it is no address", where=shown_address(base), fix=ANOTHER) from error


def is_public(ip: IpAddress) -> bool:
    """Whether an address lies on the public Internet; one that wraps another is judged by that."""
    if isinstance(ip, ipaddress.IPv6Address):
        inner = ip.ipv4_mapped or ip.sixtofour or (ip.teredo[1] if ip.teredo else None)
        if inner is None and ip in _NAT64:
            inner = ipaddress.IPv4Address(int(ip) & 0xFFFFFFFF)
        if inner is not None:
            return is_public(inner)
    return ip.is_global and not ip.is_multicast and not ip.is_reserved


def literal_ip(host: str) -> IpAddress | None:
    """Return the number that a host is written as; None for a name."""
    try:
        return ipaddress.ip_address(host)
    except ValueError:
        return None


def refuse_private(ip: IpAddress | str, address: Address) -> None:
    """Raise the fault of an address on this machine or in its own network."""
    raise FetchError(
        f"{address.host} is on this machine or in its own network ({ip}): such hosts are not asked unless you name them",
        where=shown_address(address.url),
        fix=f"If it is yours: --private-host {address.host}:{address.port}",
    )


def resolve(address: Address, *, allowed: bool) -> tuple[str, ...]:
    """Return the numbers behind a host, all of them public unless the user named it; the connection goes to one of these."""
    literal = literal_ip(address.host)
    if literal is not None:
        found = [str(literal)]
    else:
        try:
            answers = socket.getaddrinfo(address.host, address.port, type=socket.SOCK_STREAM)
        except (OSError, UnicodeError) as error:
            raise UnreachableError("its name is not found", where=shown_address(address.url), fix="Look at the network.") from error
        found = list(dict.fromkeys(str(answer[4][0]).partition("%")[0] for answer in answers))
    for number in found:
        ip = ipaddress.ip_address(number)
        if not allowed and not is_public(ip):
            refuse_private(ip, address)
    return tuple(found)


def is_signed(url: str) -> bool:
    """Whether a link carries somebody's signature or key: it needs an account and soon means nothing."""
    try:
        return any(key.casefold() in _SIGNING_KEYS for key, _ in parse_qsl(urlsplit(url).query, keep_blank_values=True))
    except ValueError:
        return True


def shown_address(url: str) -> str:
    """Return an address as it may be kept and shown: without password, key and signature, printable, not endless."""
    try:
        parts = urlsplit(url)
        host = parts.netloc.rpartition("@")[2]
        pieces = [
            f"{key}{sign}{LEFT_OUT if key.casefold() in _SECRET_KEYS else value}"
            for key, sign, value in (piece.partition("=") for piece in parts.query.split("&"))
        ]
        clean = urlunsplit((parts.scheme, host, parts.path, "&".join(pieces), ""))
    except ValueError:
        clean = url.partition("?")[0].rpartition("@")[2]
    printable = "".join(letter if letter.isprintable() else "?" for letter in clean)
    return printable if len(printable) <= 2000 else f"{printable[:1998]} …"
