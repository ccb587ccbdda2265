"""The page in a real browser: opened as its address is printed, with all that it says and asks kept."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from one_browser import started_browser

from meshplan.page.desk import Desk

HOSTILE = "<img src=x onerror=document.title='in'>"


@contextmanager
def page_of(desk: Desk, wide: int = 1280, high: int = 860, **options: Any) -> Iterator[tuple[Any, list[str]]]:
    """Open a page in a browser of its own; what it says on the console and where it asks comes along."""
    context = started_browser().new_context(viewport={"width": wide, "height": high}, **options)
    page = context.new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: None if request.url.startswith((own, "data:", "blob:")) else said.append(request.url))
    own = f"http://127.0.0.1:{desk.port}/"
    page.goto(f"{own}#key={desk.keys.fresh()}")
    page.wait_for_selector("html[data-ready=yes]")
    try:
        yield page, said
    finally:
        context.close()


def until(tells: Any) -> None:
    deadline = time.monotonic() + 20
    while not tells():
        assert time.monotonic() < deadline, "it did not happen"
        time.sleep(0.05)


def middle(page: Any, selector: str) -> tuple[float, float]:
    """Return where the middle of an element stands on the screen."""
    box = page.locator(selector).first.bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def on_land(page: Any, across: float, down: float) -> tuple[float, float]:
    """Return the point of the screen at shares of the sheet's width and height."""
    box = page.locator("#land").bounding_box()
    return box["x"] + box["width"] * across, box["y"] + box["height"] * down
