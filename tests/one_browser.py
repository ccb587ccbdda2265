"""One headless Chromium for all tests of a process: the browser driver runs only once in a process."""

from __future__ import annotations

import atexit
import os
import shutil
from functools import cache
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


def started_browser() -> Any:
    """Return the running browser. In CI a missing one fails; elsewhere the test is skipped and says why."""
    return _start(required_browser(find_browser(), in_ci=bool(os.environ.get("CI"))))


@cache
def _start(path: str) -> Any:
    from playwright.sync_api import sync_playwright

    driver = sync_playwright().start()
    browser = driver.chromium.launch(executable_path=path, args=list(FLAGS))
    atexit.register(driver.stop)
    return browser
