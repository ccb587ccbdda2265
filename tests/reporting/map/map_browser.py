"""A browser for the map's tests, never on the network, and the map of the invented property."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from one_browser import started_browser

DESK = (1280, 800)
PHONE = (390, 780)


@pytest.fixture(scope="session")
def browser() -> Any:
    """Give the browser that all tests share."""
    return started_browser()


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
