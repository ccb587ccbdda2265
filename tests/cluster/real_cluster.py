"""A scheduler and workers as processes of their own on 127.0.0.1, for tests that kill them."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

TESTS = os.pathsep.join([str(Path(__file__).parent), str(Path(__file__).parents[1])])
"""Where processes find the tasks that tests make up."""


def free_port() -> int:
    """Return a port that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class RealCluster:
    """A scheduler with the workers that a test starts; only what was started here is ever killed."""

    folder: Path
    port: int = field(default_factory=free_port)
    scheduler: subprocess.Popen[bytes] | None = None
    workers: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)

    @property
    def address(self) -> str:
        return f"tcp://127.0.0.1:{self.port}"

    def start_scheduler(self) -> None:
        words = ["--host", "127.0.0.1", "--port", str(self.port), "--no-dashboard", "--no-show"]
        self.scheduler = self._start("distributed.cli.dask_scheduler", words, "scheduler", {})
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            time.sleep(0.1)
        raise AssertionError((self.folder / "scheduler.log").read_text(encoding="utf-8"))

    def start_worker(self, name: str, more: Mapping[str, str] | None = None) -> None:
        words = [self.address, "--nworkers", "1", "--nthreads", "1", "--name", name, "--no-dashboard", "--no-nanny"]
        words += ["--local-directory", str(self.folder / name), "--death-timeout", "60"]
        self.workers[name] = self._start("distributed.cli.dask_worker", words, name, more or {})

    def _start(self, module: str, words: list[str], name: str, more: Mapping[str, str]) -> subprocess.Popen[bytes]:
        log = (self.folder / f"{name}.log").open("wb")
        with log:
            return subprocess.Popen(
                [sys.executable, "-m", module, *words],
                stdout=log,
                stderr=log,
                env={**os.environ, "PYTHONPATH": TESTS, **more},
                cwd=self.folder,
            )

    def kill(self, name: str) -> None:
        """End a worker, or the scheduler, without a word."""
        process = self.scheduler if name == "scheduler" else self.workers.pop(name)
        assert process is not None
        process.send_signal(signal.SIGKILL)
        process.wait(30)

    def stop(self) -> None:
        for process in [*self.workers.values(), self.scheduler]:
            if process is not None and process.poll() is None:
                process.kill()
                process.wait(30)
