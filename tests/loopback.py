"""Servers on this machine for the tests: good ones that count every byte, and ones that lie, stall, truncate and send away."""

from __future__ import annotations

import re
import select
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any


@dataclass
class Asked:
    """One request as the server saw it."""

    method: str
    path: str
    headers: Mapping[str, str]
    body: bytes
    sent: int = 0
    """Bytes of the answer's body."""


@dataclass
class Loopback:
    """A server with files and behaviours; `log` holds every request."""

    files: dict[str, bytes] = field(default_factory=dict)
    answers: dict[str, Callable[[Any], None]] = field(default_factory=dict)
    """A behaviour in place of a file, by path without query; it gets the request handler."""
    log: list[Asked] = field(default_factory=list)
    port: int = 0
    tunnel_to: int = 0
    """Port on this machine to which it tunnels as a proxy."""

    @property
    def url(self) -> str:
        """Its address."""
        return f"http://127.0.0.1:{self.port}"

    @property
    def host(self) -> str:
        """Its host as the user would name it."""
        return f"127.0.0.1:{self.port}"

    @property
    def sent(self) -> int:
        """Bytes of bodies sent in all."""
        return sum(asked.sent for asked in self.log)


class Handler(BaseHTTPRequestHandler):
    """Files with ranges, as a well-kept server gives them."""

    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True
    server: Any

    def log_message(self, *_: object) -> None:
        """Say nothing."""

    def handle_any(self) -> None:
        loopback: Loopback = self.server.loopback
        length = int(self.headers.get("Content-Length", "0"))
        self.asked = Asked(self.command, self.path, dict(self.headers), self.rfile.read(length))
        loopback.log.append(self.asked)
        path = self.path.partition("?")[0]
        try:
            if path in loopback.answers:
                loopback.answers[path](self)
            elif path in loopback.files:
                self.give_file(loopback.files[path])
            else:
                self.give(404, b"no such file")
        except (BrokenPipeError, ConnectionResetError):
            self.close_connection = True

    def do_CONNECT(self) -> None:
        """Be a proxy: join the client with the server that the test names, whatever host was asked for."""
        loopback: Loopback = self.server.loopback
        loopback.log.append(Asked(self.command, self.path, dict(self.headers), b""))
        with socket.create_connection(("127.0.0.1", loopback.tunnel_to)) as there:
            self.send_response(200)
            self.end_headers()
            ends = {self.connection: there, there: self.connection}
            while True:
                ready, _, _ = select.select(list(ends), [], [], 5.0)
                for end in ready:
                    data = end.recv(65_536)
                    if not data:
                        self.close_connection = True
                        return
                    ends[end].sendall(data)
                if not ready:
                    return

    do_GET = do_POST = do_HEAD = handle_any  # noqa: N815 - names of the standard library

    def give(self, status: int, body: bytes, **headers: str) -> None:
        """Send a whole answer."""
        self.send_response(status)
        for name, value in {"Content-Length": str(len(body)), **{k.replace("_", "-"): v for k, v in headers.items()}}.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)
        self.asked.sent += len(body)

    def range_asked(self, size: int) -> tuple[int, int] | None:
        """Return first and last byte that are asked for."""
        found = re.fullmatch(r"bytes=(\d+)-(\d+)", self.headers.get("Range", ""))
        return None if found is None else (int(found[1]), min(int(found[2]), size - 1))

    def give_file(self, body: bytes, etag: str = '"one"') -> None:
        """Send a file or the part that is asked for (RFC 9110, section 14)."""
        asked = self.range_asked(len(body))
        if asked is None or self.headers.get("If-Range", etag) != etag:
            self.give(200, body, ETag=etag, Accept_Ranges="bytes")
        else:
            first, last = asked
            self.give(206, body[first : last + 1], ETag=etag, Content_Range=f"bytes {first}-{last}/{len(body)}")


class _Quiet(ThreadingHTTPServer):
    """A server that says nothing of clients who hang up."""

    daemon_threads = True

    def handle_error(self, *_: object) -> None:
        """Say nothing."""


@contextmanager
def serving(files: dict[str, bytes] | None = None, *, certificate: Path | None = None) -> Iterator[Loopback]:
    """Run a server on this machine while the block runs; with a certificate (and its key in one file) it speaks TLS."""
    loopback = Loopback(dict(files or {}))
    server = _Quiet(("127.0.0.1", 0), Handler)
    if certificate is not None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(certificate)
        server.socket = context.wrap_socket(server.socket, server_side=True, do_handshake_on_connect=False)
    server.loopback = loopback  # type: ignore[attr-defined]
    loopback.port = server.server_address[1]
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
    thread.start()
    try:
        yield loopback
    finally:
        server.shutdown()
        server.server_close()


def without_ranges(body: bytes) -> Callable[[Handler], None]:
    """Behave as a server that knows no ranges."""
    return lambda handler: handler.give(200, body)


def truncated(body: bytes) -> Callable[[Handler], None]:
    """Promise the part that is asked for and break off in the middle of it."""

    def answer(handler: Handler) -> None:
        first, last = handler.range_asked(len(body)) or (0, len(body) - 1)
        part = body[first : last + 1]
        handler.send_response(206)
        handler.send_header("Content-Length", str(len(part)))
        handler.send_header("Content-Range", f"bytes {first}-{last}/{len(body)}")
        handler.end_headers()
        handler.wfile.write(part[: len(part) // 2])
        handler.close_connection = True

    return answer


def stalling(seconds: float) -> Callable[[Handler], None]:
    """Take the question and say nothing."""

    def answer(handler: Handler) -> None:
        time.sleep(seconds)
        handler.close_connection = True

    return answer


def shifted(body: bytes) -> Callable[[Handler], None]:
    """Send the right bytes and say that they are others."""

    def answer(handler: Handler) -> None:
        first, last = handler.range_asked(len(body)) or (0, len(body) - 1)
        handler.give(206, body[first : last + 1], Content_Range=f"bytes {first + 100}-{last + 100}/{len(body)}")

    return answer


def growing(body: bytes) -> Callable[[Handler], None]:
    """Name another size of the whole file with every answer."""
    count = [0]

    def answer(handler: Handler) -> None:
        count[0] += 1
        first, last = handler.range_asked(len(body)) or (0, len(body) - 1)
        handler.give(206, body[first : last + 1], Content_Range=f"bytes {first}-{last}/{len(body) * count[0]}")

    return answer


def too_short(body: bytes) -> Callable[[Handler], None]:
    """Send fewer bytes than are asked for, and say so only in the length."""

    def answer(handler: Handler) -> None:
        first, last = handler.range_asked(len(body)) or (0, len(body) - 1)
        handler.give(206, body[first : last + 1][:-1], Content_Range=f"bytes {first}-{last}/{len(body)}")

    return answer


def sent_on(where: str, status: int = 302) -> Callable[[Handler], None]:
    """Send the client elsewhere."""
    return lambda handler: handler.give(status, b"", Location=where)


def busy_first(times: int, then: Callable[[Handler], None], status: int = 429, **headers: str) -> Callable[[Handler], None]:
    """Be busy so many times, then answer."""
    left = [times]

    def answer(handler: Handler) -> None:
        if left[0]:
            left[0] -= 1
            handler.give(status, b"busy", **headers)
        else:
            then(handler)

    return answer


def file_of(body: bytes) -> Callable[[Handler], None]:
    """Behave well."""
    return lambda handler: handler.give_file(body)
