"""Headless Chromium for the paper tests: offline, from the system's own browser; skips where there is none, fails in CI."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

FLAGS = (
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"),
    *("--disable-component-update", "--disable-sync"),
)


@contextmanager
def offline_page(path: Path, *, width: int = 820, height: int = 1200) -> Iterator[tuple[Any, list[str]]]:
    """Open a file in Chromium without a network; give the page and the list of all that went wrong or was asked for."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        if os.environ.get("CI") == "true":
            pytest.fail("CI must have Chromium (apt-get install chromium)")
        pytest.skip("Chromium is not installed")
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=list(FLAGS))
        context = browser.new_context(viewport={"width": width, "height": height}, offline=True)
        page = context.new_page()
        trouble: list[str] = []
        page.on("request", lambda request: trouble.append(f"request {request.url}") if request.url != path.as_uri() else None)
        page.on("console", lambda message: trouble.append(f"console {message.text}"))
        page.on("pageerror", lambda error: trouble.append(f"error {error}"))
        page.on("dialog", lambda dialog: trouble.append(f"dialog {dialog.message}"))
        page.goto(path.as_uri())
        yield page, trouble
        browser.close()
