"""What every test may use: where the published reference data lies, and how to skip honestly without it."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import settings

# Same examples every time, and no wall time in a verdict: a busy machine must not fail a test.
settings.register_profile("house", deadline=None, derandomize=True)
settings.load_profile("house")

REPOSITORY = Path(__file__).resolve().parents[1]
REFERENCE = REPOSITORY.parent / "shared" / "reference"


@pytest.fixture(scope="session")
def reference_dir() -> Path:
    """Return the folder of published vectors, or skip saying that it is not here."""
    if not REFERENCE.is_dir():
        pytest.skip("published reference data (../shared/reference) is not on this machine")
    return REFERENCE


@pytest.fixture(scope="session")
def read_reference_csv(reference_dir: Path) -> Callable[[str], list[dict[str, str]]]:
    """Return a reader of one reference table as a list of rows."""

    def read(name: str) -> list[dict[str, str]]:
        path = reference_dir / name
        if not path.is_file():
            pytest.skip(f"reference table {name} is not on this machine")
        with path.open(encoding="utf-8", newline="") as stream:
            return list(csv.DictReader(stream))

    return read


@dataclass(frozen=True)
class PublishedTable:
    """Known values kept beside the tests: where they come from, how near we must be, and the rows."""

    source: str
    kind: str
    tolerance_db: float
    rows: tuple[dict[str, str], ...]


@pytest.fixture(scope="session")
def read_published() -> Callable[[str], PublishedTable]:
    """Return a reader of tests/published/*.csv; a table without its three header lines is an error."""

    def read(name: str) -> PublishedTable:
        lines = (REPOSITORY / "tests" / "published" / name).read_text(encoding="utf-8").splitlines()
        head = dict(line[1:].split(":", 1) for line in lines if line.startswith("#"))
        facts = {key.strip(): value.strip() for key, value in head.items()}
        body = csv.DictReader(line for line in lines if line and not line.startswith("#"))
        return PublishedTable(facts["source"], facts["kind"], float(facts["tolerance_db"]), tuple(body))

    return read
