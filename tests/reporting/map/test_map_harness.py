"""The harness itself: a missing browser is never passed over in CI."""

from __future__ import annotations

import pytest
from one_browser import required_browser


def test_without_a_browser_ci_fails() -> None:
    with pytest.raises(pytest.fail.Exception, match="Chromium is missing"):
        required_browser(None, in_ci=True)


def test_without_a_browser_a_developer_is_told_why_tests_are_skipped() -> None:
    with pytest.raises(pytest.skip.Exception, match="no Chromium on this machine"):
        required_browser(None, in_ci=False)


def test_a_browser_is_used_wherever_it_is() -> None:
    assert required_browser("/somewhere/chromium", in_ci=True) == "/somewhere/chromium"
