"""Headless Chromium for the paper tests: offline, from the system's own browser; skips where there is none, fails in CI."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from one_browser import started_browser


@contextmanager
def offline_page(path: Path, *, width: int = 820, height: int = 1200) -> Iterator[tuple[Any, list[str]]]:
    """Open a file in Chromium without a network; give the page and the list of all that went wrong or was asked for."""
    context = started_browser().new_context(viewport={"width": width, "height": height}, offline=True)
    page = context.new_page()
    trouble: list[str] = []
    page.on("request", lambda request: trouble.append(f"request {request.url}") if request.url != path.as_uri() else None)
    page.on("console", lambda message: trouble.append(f"console {message.text}"))
    page.on("pageerror", lambda error: trouble.append(f"error {error}"))
    page.on("dialog", lambda dialog: trouble.append(f"dialog {dialog.message}"))
    page.goto(path.as_uri())
    try:
        yield page, trouble
    finally:
        context.close()
