"""A desk that runs in a thread of the test, with a client that says exactly what it is told to say."""

from __future__ import annotations

import http.client
import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import quote

import uvicorn

from meshplan.page.desk import Desk
from meshplan.page.events import Events
from meshplan.page.gate import KEY_HEADER
from meshplan.page.listen import _Server, listening_socket
from meshplan.page.server import make_app

PATIENCE_S = 240
"""How long a busy machine may take for what is done in a moment; nothing is judged by it but whether it comes at all."""


@dataclass
class NoPlanner:
    """Stands where the planner's process would."""

    folder: Path
    events: Events
    strip: dict[str, Any] | None = None
    drawn: bytes | None = None
    asked: list[int] = field(default_factory=list)

    def changed(self, clock: int) -> None:
        self.asked.append(clock)

    def close(self) -> None:
        return


@dataclass
class Client:
    """One window of a browser: its cookie and its session key."""

    port: int
    session: str = ""
    cookie: str = ""

    @property
    def origin(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def raw(self, method: str, path: str, headers: dict[str, str], body: bytes | None = None) -> tuple[int, dict[str, str], bytes]:
        """Send exactly these headers besides Host (unless given) and Content-Length."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
        connection.putrequest(method, path, skip_host="Host" in headers, skip_accept_encoding=True)
        for name, value in headers.items():
            connection.putheader(name, value)
        if body is not None and "Transfer-Encoding" not in headers:
            connection.putheader("Content-Length", str(len(body)))
        connection.endheaders(body)
        answer = connection.getresponse()
        content = answer.read()
        connection.close()
        return answer.status, {name.lower(): value for name, value in answer.getheaders()}, content

    def usual(self, method: str) -> dict[str, str]:
        """Return the headers that the page sends."""
        headers = {"Sec-Fetch-Site": "same-origin", KEY_HEADER: self.session, "Cookie": f"meshplan_{self.port}={self.cookie}"}
        return headers | ({"Origin": self.origin, "Content-Type": "application/json"} if method == "POST" else {})

    def enter(self, key: str) -> int:
        """Come in with a one-use key."""
        status, headers, content = self.raw("POST", "/enter", self.usual("POST"), json.dumps({"v": 1, "key": key}).encode())
        if status == 200:
            self.session = json.loads(content)["desk"]
            self.cookie = headers["set-cookie"].split("=", 1)[1].split(";")[0]
        return status

    def ask(self, path: str) -> tuple[int, Any]:
        status, _, content = self.raw("GET", path, self.usual("GET"))
        return status, json.loads(content) if content.startswith(b"{") else content.decode()

    def do(self, path: str, **message: Any) -> tuple[int, Any]:
        body = json.dumps({"v": 1, **message}).encode()
        status, _, content = self.raw("POST", path, self.usual("POST"), body)
        return status, json.loads(content) if content.startswith(b"{") else content.decode()

    def send(self, name: str, content: bytes) -> tuple[int, Any]:
        """Drop a file on the page."""
        headers = self.usual("POST") | {"Content-Type": "application/octet-stream"}
        status, _, answer = self.raw("POST", f"/do/file?name={quote(name)}", headers, content)
        return status, json.loads(answer) if answer.startswith(b"{") else answer.decode()


@contextmanager
def open_desk(folder: Path, *, live: Any = NoPlanner, **more: Any) -> Iterator[tuple[Client, Desk]]:
    """Run a desk, give a client that is inside, and end the desk."""
    door = listening_socket()
    port = door.getsockname()[1]
    gate, desk = make_app(folder, port, live=live, **more)
    server = _Server(
        uvicorn.Config(gate, log_config=None, access_log=False, server_header=False, date_header=False, ws="none", http="h11",
                       timeout_graceful_shutdown=1, h11_max_incomplete_event_size=16_384)
    )  # fmt: skip
    thread = threading.Thread(target=server.run, kwargs={"sockets": [door]})
    thread.start()
    client = Client(port)
    try:
        assert client.enter(desk.keys.fresh()) == 200
        yield client, desk
    finally:
        if desk.events._loop is not None:
            desk.events._loop.call_soon_threadsafe(desk.events.end)
        server.should_exit = True
        thread.join(PATIENCE_S)
        assert not thread.is_alive()
