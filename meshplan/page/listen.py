"""The door of the page: one listening socket on this machine alone, and a server that ends when it is asked to."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import uvicorn

from meshplan.page.desk import Desk
from meshplan.page.errand import Command
from meshplan.page.server import make_app

LOOK_S: Final = 0.2
_SIGNALS: Final = ("SIGINT", "SIGTERM", "SIGHUP")


class _Server(uvicorn.Server):
    """A server that leaves signals to `serve_folder`."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Change nothing."""
        yield


def listening_socket() -> socket.socket:
    """Return a socket that listens on a free port of 127.0.0.1.

    It names its protocol: asyncio then sends small answers at once, where they would wait 40 ms otherwise. It listens before the
    address is told, so that the first request of the browser is not refused.
    """
    door = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    door.bind(("127.0.0.1", 0))
    door.listen(64)
    return door


def serve_folder(
    folder: Path,
    *,
    on_ready: Callable[[str], None],
    idle_s: float | None = None,
    command: Command | None = None,
    results: Path | None = None,
) -> str:
    """Serve the page of a folder until somebody asks for the end; return why it ended.

    Parameters
    ----------
    folder : Path
    on_ready : callable
        Told the address, with a key good for one use.
    idle_s : float, optional
        Seconds without a page after which it ends by itself.
    command : callable, optional
        Runs a command line, for the jobs of the page.
    results : Path, optional
        Folder for results that commands are told; by default they take their own.
    """
    door = listening_socket()
    port = int(door.getsockname()[1])
    gate, desk = make_app(folder, port, command=command, results=results)
    config = uvicorn.Config(
        gate, log_config=None, access_log=False, server_header=False, date_header=False, ws="none", lifespan="on",
        h11_max_incomplete_event_size=16_384, timeout_graceful_shutdown=1, http="h11", loop="asyncio",
    )  # fmt: skip
    return asyncio.run(_serve(_Server(config), desk, door, port, on_ready, idle_s))


async def _serve(
    server: _Server, desk: Desk, door: socket.socket, port: int, on_ready: Callable[[str], None], idle_s: float | None
) -> str:
    why = ["The desk is closed."]
    loop = asyncio.get_running_loop()

    def end(words: str) -> None:
        why[0] = words
        desk.events.end()
        server.should_exit = True

    taken = []
    for name in _SIGNALS:
        number = getattr(signal, name, None)
        if number is not None:
            with contextlib.suppress(NotImplementedError, RuntimeError, ValueError):
                loop.add_signal_handler(number, end, "The desk is closed.")
                taken.append(number)
    running = asyncio.create_task(server.serve(sockets=[door]))
    try:
        on_ready(f"http://127.0.0.1:{port}/#key={desk.keys.fresh()}")
        while not running.done():
            await asyncio.wait([running], timeout=LOOK_S)
            if idle_s is not None and desk.idle_s() > idle_s and not server.should_exit:
                end("Nobody was at the desk; it is closed.")
        await running
    finally:
        for number in taken:
            loop.remove_signal_handler(number)
    return why[0]
