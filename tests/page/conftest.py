"""A holding that is laid out and planned once; each test opens a desk on a copy of it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from desk_browser import HOSTILE
from open_desk import NoPlanner, open_desk
from small_property import lay_small_property, usual_sites

from meshplan.page.desk import Desk
from meshplan.page.strip import drawn_of, strip_of
from meshplan.reporting.map.data import json_block
from meshplan.workflow.plan import plan_property


@pytest.fixture(scope="session")
def laid(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, bytes, dict[str, Any]]:
    """A holding with a hostile name, and what the planner says of it."""
    rows = [row | ({"name": HOSTILE} if row["name"] == "Bed" else {}) for row in usual_sites()]
    folder = lay_small_property(tmp_path_factory.mktemp("laid") / "holding", sites=rows)
    planned = plan_property(folder)
    return folder, json_block(drawn_of(planned)).encode(), strip_of(planned.plan, None) | {"clock": 0}


@pytest.fixture
def desk(laid: tuple[Path, bytes, dict[str, Any]], tmp_path: Path) -> Iterator[Desk]:
    source, drawn, strip = laid
    folder = tmp_path / "holding"
    folder.mkdir()
    for path in source.iterdir():
        (folder / path.name).write_bytes(path.read_bytes())

    def planner(folder: Path, events: Any) -> NoPlanner:
        return NoPlanner(folder, events, strip, drawn)

    with open_desk(folder, live=planner) as (_, desk):
        yield desk
