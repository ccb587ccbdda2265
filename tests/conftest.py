"""What every test may use: the published figures, and where the measured sets lie (with an honest skip without them)."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import settings
from published_tables import PublishedTable, read_table

# Same examples every time, and no wall time in a verdict: a busy machine must not fail a test.
settings.register_profile("house", deadline=None, derandomize=True)
settings.load_profile("house")

REPOSITORY = Path(__file__).resolve().parents[1]
REFERENCE = REPOSITORY.parent / "shared" / "reference"


@pytest.fixture(scope="session")
def reference_dir() -> Path:
    """Return the folder of measured sets, which are not ours to carry, or skip saying that it is not here."""
    if not REFERENCE.is_dir():
        pytest.skip("measured reference data (../shared/reference) is not on this machine")
    return REFERENCE


@pytest.fixture(scope="session")
def read_published() -> Callable[[str], PublishedTable]:
    """Return a reader of tests/published/*.csv; a table without source, licence, kind and tolerance on top is an error."""
    return read_table
