"""A browser for the map's tests, never on the network, and the map of the invented property."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
DESK = (1280, 800)
PHONE = (390, 780)


def find_browser() -> str | None:
    """Return the path of an installed Chromium."""
    return shutil.which("chromium") or shutil.which("chromium-browser")


def required_browser(path: str | None, *, in_ci: bool) -> str:
    """Return the browser's path; without one fail in CI and skip elsewhere, saying why."""
    if path is not None:
        return path
    if in_ci:
        pytest.fail("Chromium is missing: the browser tests must run in CI")
    pytest.skip("no Chromium on this machine (apt-get install chromium)")


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Start Chromium. In CI a missing browser fails; elsewhere the test is skipped and says why."""
    path = required_browser(find_browser(), in_ci=bool(os.environ.get("CI")))
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path, args=list(FLAGS))
        yield started
        started.close()


@dataclass
class Opened:
    """A page with what it logged and asked for; `check` fails on anything but the file itself."""

    page: Any
    file: Path
    messages: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)

    def check(self) -> None:
        """Fail if the page wrote to its console, threw an error, or asked for anything but its own file."""
        assert self.messages == []
        assert [url for url in self.requests if not url.startswith(("data:", "blob:"))] == [self.file.as_uri()]


OpenMap = Callable[..., Opened]


@pytest.fixture
def open_map(browser: Any) -> Iterator[OpenMap]:
    """Open a map from disk, offline from the start, and wait until it says that it is ready."""
    contexts = []
    opened: list[Opened] = []

    def open_file(file: Path, size: tuple[int, int] = DESK, **options: Any) -> Opened:
        context = browser.new_context(
            viewport={"width": size[0], "height": size[1]}, offline=True, reduced_motion="reduce", **options
        )
        contexts.append(context)
        page = context.new_page()
        found = Opened(page, file)
        page.on("console", lambda message: found.messages.append(f"{message.type}: {message.text}"))
        page.on("pageerror", lambda error: found.messages.append(f"error: {error}"))
        page.on("dialog", lambda dialog: (found.messages.append(f"dialog: {dialog.message}"), dialog.dismiss()))
        page.on("request", lambda request: found.requests.append(request.url))
        page.goto(file.as_uri())
        page.wait_for_selector("html[data-ready=yes]", state="attached")
        opened.append(found)
        return found

    yield open_file
    for one in opened:
        one.check()
    for context in contexts:
        context.close()


@pytest.fixture(scope="session")
def map_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the map of the invented property."""
    from map_fixture import make_landscape, make_plan

    from meshplan.reporting.map import write_map

    return write_map(make_plan(), make_landscape(), tmp_path_factory.mktemp("map") / "map.html")
